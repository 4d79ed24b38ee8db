-- Every test, not only the one on cylinders: elements instead of cylinders, groups (engine family or component)
-- instead of families, one row a measure. Old rows are carried over; a fit then fills what the old schema had no
-- place for.
DROP VIEW export.captures;
DROP VIEW export.cylinders;
DROP VIEW export.thresholds;

ALTER TABLE capture_log ADD COLUMN component VARCHAR;
ALTER TABLE capture_log RENAME COLUMN call_cylinders TO call_elements;
ALTER TABLE repair_order ADD COLUMN model_year INTEGER;
-- The noun of what the test sets side by side, as its kind said when the capture was read.
ALTER TABLE capture_state ADD COLUMN noun VARCHAR;
UPDATE capture_state SET noun = 'cylinder' WHERE status IN ('read', 'unusable');

CREATE TABLE outcome_by_test (
    repair_order VARCHAR NOT NULL,
    test VARCHAR NOT NULL,           -- '' = every cylinder test on that order
    confirmed_at TIMESTAMP,
    finding VARCHAR,
    confirmed_elements INTEGER[],
    method VARCHAR,
    gauge_kpa DOUBLE[],
    PRIMARY KEY (repair_order, test)
);
INSERT INTO outcome_by_test SELECT repair_order, '', confirmed_at, finding, confirmed_cylinders, method, gauge_kpa FROM outcome;
DROP TABLE outcome;
ALTER TABLE outcome_by_test RENAME TO outcome;

-- What a capture is compared with its like in. A component that bears an engine family's name is told apart.
CREATE VIEW capture_group AS
SELECT capture_file, test,
       CASE WHEN component IS NULL THEN engine_family
            WHEN component IN (SELECT engine_family FROM engine_family) THEN component || ' (component)'
            ELSE component
       END AS "group"
FROM capture_log;

CREATE TABLE element_reading (
    capture_file VARCHAR NOT NULL,
    measure VARCHAR NOT NULL,
    rank INTEGER NOT NULL,           -- 0 = the test's first measure
    position INTEGER NOT NULL,
    element INTEGER,                 -- NULL where only the position is known
    relative_pct DOUBLE NOT NULL,
    se_pct DOUBLE NOT NULL,
    identified VARCHAR NOT NULL,
    companion INTEGER,
    PRIMARY KEY (capture_file, measure, position)
);
INSERT INTO element_reading
SELECT capture_file, 'relative_compression', 0, firing_position, cylinder, relative_pct, se_pct, identified, companion
FROM cylinder_reading;
DROP TABLE cylinder_reading;

CREATE TABLE capture_drawing (
    capture_file VARCHAR PRIMARY KEY,
    start_s DOUBLE, end_s DOUBLE,    -- the stretch that was used
    index_s DOUBLE[],                -- index (sync) pulses
    event_s DOUBLE[],                -- one event an element and turn
    position INTEGER[],              -- of each event
    mean_shape FLOAT[]
);
INSERT INTO capture_drawing
SELECT capture_file, crank_start_s, crank_end_s, sync_s, compression_s, position, mean_cycle FROM capture_events;
DROP TABLE capture_events;

-- Model outputs: replaced as a whole by each fit.
CREATE TABLE comparison_group (
    test VARCHAR NOT NULL, "group" VARCHAR NOT NULL,
    engine_family VARCHAR, component VARCHAR,
    elements INTEGER NOT NULL, sequence INTEGER[] NOT NULL, places DOUBLE[] NOT NULL, uneven BOOLEAN NOT NULL,
    PRIMARY KEY (test, "group")
);
CREATE TABLE group_stat (
    test VARCHAR NOT NULL, measure VARCHAR NOT NULL, "group" VARCHAR NOT NULL,
    captures BIGINT, known_good BIGINT, basis VARCHAR, elements BIGINT,
    spread_pct DOUBLE, spread_low DOUBLE, spread_high DOUBLE,
    between_vehicle_pct DOUBLE, within_vehicle_pct DOUBLE, reading_se_pct DOUBLE, own_weight DOUBLE,
    drift_pct_per_month DOUBLE, drift_low DOUBLE, drift_high DOUBLE, drift_element BIGINT,
    why VARCHAR, healthy_captures DOUBLE, odd_share DOUBLE, vehicles BIGINT, swing_pct DOUBLE,
    odd_usual_pct DOUBLE, odd_limit_pct DOUBLE,
    PRIMARY KEY (test, measure, "group")
);
INSERT INTO group_stat BY NAME
SELECT 'relative_compression' AS test, 'relative_compression' AS measure, engine_family AS "group",
       captures, known_good, basis, cylinders AS elements, spread_pct, spread_low, spread_high, between_vehicle_pct,
       within_vehicle_pct, reading_se_pct, own_weight, drift_pct_per_month, drift_low, drift_high, why
FROM family_stat;
DROP TABLE family_stat;
CREATE TABLE group_pattern (
    test VARCHAR NOT NULL, measure VARCHAR NOT NULL, "group" VARCHAR NOT NULL, element BIGINT NOT NULL,
    pattern_pct DOUBLE, low DOUBLE, high DOUBLE, n BIGINT, predict_low DOUBLE, predict_high DOUBLE,
    PRIMARY KEY (test, measure, "group", element)
);
INSERT INTO group_pattern BY NAME
SELECT 'relative_compression' AS test, 'relative_compression' AS measure, engine_family AS "group",
       cylinder AS element, pattern_pct, low, high, n
FROM family_pattern;
DROP TABLE family_pattern;
-- Oddness of new healthy captures, as sorted draws with a normal tail (see models/spread/null.py).
CREATE TABLE group_null (
    test VARCHAR NOT NULL, measure VARCHAR NOT NULL, "group" VARCHAR NOT NULL,
    odd_pct DOUBLE[], tail_from DOUBLE, tail_sd_pct DOUBLE,
    PRIMARY KEY (test, measure, "group")
);
CREATE TABLE capture_health (
    capture_file VARCHAR NOT NULL, measure VARCHAR NOT NULL, healthy_probability DOUBLE, label VARCHAR,
    PRIMARY KEY (capture_file, measure)
);
CREATE TABLE proposal (
    test VARCHAR NOT NULL, measure VARCHAR NOT NULL, "group" VARCHAR NOT NULL,
    threshold_pct DOUBLE, low DOUBLE, high DOUBLE, basis VARCHAR, why VARCHAR, flags_per_week DOUBLE,
    false_alarm_n BIGINT, false_alarm DOUBLE, false_alarm_low DOUBLE, false_alarm_high DOUBLE, false_alarm_why VARCHAR,
    detection_n BIGINT, detection DOUBLE, detection_low DOUBLE, detection_high DOUBLE, detection_why VARCHAR,
    prevalence DOUBLE, cost_miss DOUBLE, cost_false_alarm DOUBLE,
    believed_healthy_flagged DOUBLE, needs_look VARCHAR,
    cost STRUCT(threshold_pct DOUBLE, expected_cost DOUBLE, detection DOUBLE, false_alarm DOUBLE)[],
    PRIMARY KEY (test, measure, "group")
);
CREATE TABLE element_score (
    capture_file VARCHAR, measure VARCHAR, position INTEGER, group_pct DOUBLE, deviation_pct DOUBLE,
    PRIMARY KEY (capture_file, measure, position)
);
INSERT INTO element_score
SELECT capture_file, 'relative_compression', firing_position, family_pct, deviation_pct FROM cylinder_score;
DROP TABLE cylinder_score;
CREATE TABLE measure_score (
    capture_file VARCHAR, measure VARCHAR, rank INTEGER,
    odd_pct DOUBLE, odd_se_pct DOUBLE, judged_pct DOUBLE, odd_position INTEGER, odd_element INTEGER, odd_companion INTEGER,
    p_value DOUBLE, p_basis VARCHAR, p_floor DOUBLE, model_p DOUBLE,
    PRIMARY KEY (capture_file, measure)
);
INSERT INTO measure_score BY NAME
SELECT capture_file, 'relative_compression' AS measure, 0 AS rank, odd_pct, odd_se_pct, odd_position,
       odd_cylinder AS odd_element, odd_companion, p_value, p_basis, p_floor
FROM score;
CREATE TABLE outlier (
    capture_file VARCHAR PRIMARY KEY,
    outlier_score DOUBLE, outlier_p DOUBLE, outlier_model VARCHAR, calibration_n INTEGER,
    reasons VARCHAR                  -- JSON list of {feature, value, usual_low, usual_high, sentence}
);
INSERT INTO outlier
SELECT capture_file, outlier_score, outlier_p, outlier_model, calibration_n, reasons FROM score
WHERE outlier_score IS NOT NULL;
DROP TABLE score;

-- Decisions and flags are history: carried over whole.
CREATE TABLE decision (
    test VARCHAR NOT NULL, measure VARCHAR NOT NULL, "group" VARCHAR NOT NULL,
    version INTEGER NOT NULL,
    threshold_pct DOUBLE NOT NULL,
    set_at TIMESTAMP NOT NULL,
    set_by VARCHAR NOT NULL,
    reason VARCHAR NOT NULL,
    source VARCHAR NOT NULL,         -- proposed, set
    PRIMARY KEY (test, measure, "group", version)
);
INSERT INTO decision
SELECT 'relative_compression', 'relative_compression', engine_family, version, threshold_pct, set_at, set_by, reason, source
FROM threshold;
DROP TABLE threshold;
ALTER TABLE decision RENAME TO threshold;
ALTER TABLE flag ADD COLUMN measure VARCHAR DEFAULT 'relative_compression';
ALTER TABLE flag ADD COLUMN rank INTEGER DEFAULT 0;
ALTER TABLE flag RENAME COLUMN flagged_cylinders TO flagged_elements;

-- The views other programs rely on: columns may be added, never renamed.
CREATE VIEW export.features AS
SELECT feature.capture_file, log.test, feature.feature, feature.value,
       CASE WHEN regexp_matches(feature.feature, '_(pct|rpm|hz|deg|kpa|ms|us|mv|v|ma|a|s|ohm|mh|kv|bar)$')
            THEN regexp_extract(feature.feature, '_([a-z]+)$', 1) END AS unit
FROM feature
LEFT JOIN capture_log AS log USING (capture_file);

CREATE VIEW export.elements AS
SELECT reading.capture_file, log.test, reading.element, reading.position, reading.measure,
       reading.relative_pct AS value, 'pct' AS unit, reading.se_pct AS se,
       score.group_pct AS usual, score.deviation_pct AS deviation, reading.identified, reading.companion
FROM element_reading AS reading
LEFT JOIN element_score AS score USING (capture_file, measure, position)
LEFT JOIN capture_log AS log USING (capture_file);

CREATE VIEW export.cylinders AS
SELECT reading.capture_file,
       reading.element AS cylinder,
       reading.position AS firing_position,
       reading.relative_pct,
       reading.se_pct,
       score.group_pct AS family_pct,
       score.deviation_pct,
       reading.identified,
       reading.companion
FROM element_reading AS reading
JOIN capture_state AS state USING (capture_file)
LEFT JOIN element_score AS score USING (capture_file, measure, position)
WHERE state.noun = 'cylinder' AND reading.rank = 0;

CREATE VIEW export.captures AS
WITH number AS (
    SELECT capture_file,
           max(value) FILTER (feature = 'cycles') AS cycles,
           max(value) FILTER (feature = 'crank_rpm') AS crank_rpm,
           max(value) FILTER (feature = 'rest_v') AS rest_v,
           max(value) FILTER (feature = 'crank_min_v') AS crank_min_v
    FROM feature
    GROUP BY capture_file
),
judged AS (
    SELECT capture_file,
           bool_or(flagged) AS flagged,
           list_sort(list_distinct(flatten(list(flagged_elements ORDER BY rank)))) AS flagged_elements,
           list_sort(list_distinct(flatten(list(flagged_positions ORDER BY rank)))) AS flagged_positions,
           arg_min(threshold_pct, rank) AS threshold_pct,
           arg_min(threshold_version, rank) AS threshold_version
    FROM flag
    WHERE in_force
    GROUP BY capture_file
)
SELECT state.capture_file,
       log.engine_family,
       log.technician,
       log.repair_order,
       log.vehicle,
       log.captured_at,
       log.test,
       log.purpose,
       state.status,
       state.reason,
       number.cycles,
       number.crank_rpm,
       number.rest_v,
       number.crank_min_v,
       log.call,
       array_to_string(log.call_elements, ';') AS call_cylinders,
       score.odd_pct,
       score.p_value,
       outlier.outlier_score,
       judged.flagged,
       array_to_string(judged.flagged_elements, ';') AS flagged_cylinders,
       judged.threshold_pct,
       judged.threshold_version,
       score.odd_se_pct,
       score.odd_position,
       score.odd_element AS odd_cylinder,
       score.odd_companion,
       score.p_basis,
       outlier.outlier_p,
       outlier.outlier_model,
       array_to_string(judged.flagged_positions, ';') AS flagged_positions,
       state.rate_hz,
       state.duration_s,
       array_to_string(log.ch_signals, ';') AS ch_signals,
       array_to_string(log.ch_scales, ';') AS ch_scales,
       log.sync_cylinder,
       log.component
FROM capture_state AS state
LEFT JOIN capture_log AS log USING (capture_file)
LEFT JOIN number USING (capture_file)
LEFT JOIN measure_score AS score ON score.capture_file = state.capture_file AND score.rank = 0
LEFT JOIN outlier ON outlier.capture_file = state.capture_file
LEFT JOIN judged ON judged.capture_file = state.capture_file;

-- A group is an engine family unless a component bears it.
CREATE VIEW export.thresholds AS
SELECT coalesce(known.engine_family, CASE WHEN known."group" IS NULL THEN threshold."group" END) AS engine_family,
       threshold.version,
       threshold.threshold_pct,
       threshold.set_at,
       threshold.set_by,
       threshold.reason,
       threshold.source,
       threshold.test,
       threshold.measure,
       known.component
FROM threshold
LEFT JOIN comparison_group AS known ON known.test = threshold.test AND known."group" = threshold."group";
