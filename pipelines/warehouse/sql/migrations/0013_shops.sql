-- Whose a row is, where several shops share a warehouse; '' is the shop without a name, all there was before.
-- A named shop's names begin with it (`North▸R-1`, see models/records/shops.py), so the keys are what they were.
ALTER TABLE engine_family ADD COLUMN IF NOT EXISTS shop VARCHAR DEFAULT '';
ALTER TABLE technician ADD COLUMN IF NOT EXISTS shop VARCHAR DEFAULT '';
ALTER TABLE repair_order ADD COLUMN IF NOT EXISTS shop VARCHAR DEFAULT '';
ALTER TABLE capture_log ADD COLUMN IF NOT EXISTS shop VARCHAR DEFAULT '';
ALTER TABLE outcome ADD COLUMN IF NOT EXISTS shop VARCHAR DEFAULT '';
ALTER TABLE drill ADD COLUMN IF NOT EXISTS shop VARCHAR DEFAULT '';
ALTER TABLE coaching ADD COLUMN IF NOT EXISTS shop VARCHAR DEFAULT '';

-- The views other programs rely on: columns may be added, never renamed.
DROP VIEW export.captures;
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
       log.component,
       CASE WHEN contains(state.capture_file, '▸') THEN split_part(state.capture_file, '▸', 1) ELSE '' END AS shop
FROM capture_state AS state
LEFT JOIN capture_log AS log USING (capture_file)
LEFT JOIN number USING (capture_file)
LEFT JOIN measure_score AS score ON score.capture_file = state.capture_file AND score.rank = 0
LEFT JOIN outlier ON outlier.capture_file = state.capture_file
LEFT JOIN judged ON judged.capture_file = state.capture_file;
DROP VIEW export.cylinders;
CREATE VIEW export.cylinders AS
SELECT reading.capture_file,
       reading.element AS cylinder,
       reading.position AS firing_position,
       reading.relative_pct,
       reading.se_pct,
       score.group_pct AS family_pct,
       score.deviation_pct,
       reading.identified,
       reading.companion,
       CASE WHEN contains(reading.capture_file, '▸') THEN split_part(reading.capture_file, '▸', 1) ELSE '' END AS shop
FROM element_reading AS reading
JOIN capture_state AS state USING (capture_file)
LEFT JOIN element_score AS score USING (capture_file, measure, position)
WHERE state.noun = 'cylinder' AND reading.rank = 0;
DROP VIEW export.elements;
CREATE VIEW export.elements AS
SELECT reading.capture_file, log.test, reading.element, reading.position, reading.measure,
       reading.relative_pct AS value, 'pct' AS unit, reading.se_pct AS se,
       score.group_pct AS usual, score.deviation_pct AS deviation, reading.identified, reading.companion,
       CASE WHEN contains(reading.capture_file, '▸') THEN split_part(reading.capture_file, '▸', 1) ELSE '' END AS shop
FROM element_reading AS reading
LEFT JOIN element_score AS score USING (capture_file, measure, position)
LEFT JOIN capture_log AS log USING (capture_file);
DROP VIEW export.features;
CREATE VIEW export.features AS
SELECT feature.capture_file, log.test, feature.feature, feature.value,
       CASE WHEN regexp_matches(feature.feature, '_(pct|rpm|hz|deg|kpa|ms|us|mv|v|ma|a|s|ohm|mh|kv|bar)$')
            THEN regexp_extract(feature.feature, '_([a-z]+)$', 1) END AS unit,
       CASE WHEN contains(feature.capture_file, '▸') THEN split_part(feature.capture_file, '▸', 1) ELSE '' END AS shop
FROM feature
LEFT JOIN capture_log AS log USING (capture_file);
DROP VIEW export.checks;
CREATE VIEW export.checks AS
SELECT capture_file, "check", severity, detail,
       CASE WHEN contains(capture_file, '▸') THEN split_part(capture_file, '▸', 1) ELSE '' END AS shop
FROM setup_check;
DROP VIEW export.thresholds;
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
       known.component,
       CASE WHEN contains(threshold."group", '▸') THEN split_part(threshold."group", '▸', 1) ELSE '' END AS shop
FROM threshold
LEFT JOIN comparison_group AS known ON known.test = threshold.test AND known."group" = threshold."group";
