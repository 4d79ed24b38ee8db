-- The views other programs rely on: columns may be added, never renamed.
CREATE SCHEMA export;

CREATE VIEW export.captures AS
WITH number AS (
    SELECT capture_file,
           max(value) FILTER (feature = 'cycles') AS cycles,
           max(value) FILTER (feature = 'crank_rpm') AS crank_rpm,
           max(value) FILTER (feature = 'rest_v') AS rest_v,
           max(value) FILTER (feature = 'crank_min_v') AS crank_min_v
    FROM feature
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
       array_to_string(log.call_cylinders, ';') AS call_cylinders,
       score.odd_pct,
       score.p_value,
       score.outlier_score,
       flag.flagged,
       array_to_string(flag.flagged_cylinders, ';') AS flagged_cylinders,
       flag.threshold_pct,
       flag.threshold_version,
       score.odd_se_pct,
       score.odd_position,
       score.odd_cylinder,
       score.odd_companion,
       score.p_basis,
       score.outlier_p,
       score.outlier_model,
       array_to_string(flag.flagged_positions, ';') AS flagged_positions,
       state.rate_hz,
       state.duration_s,
       array_to_string(log.ch_signals, ';') AS ch_signals,
       array_to_string(log.ch_scales, ';') AS ch_scales,
       log.sync_cylinder
FROM capture_state AS state
LEFT JOIN capture_log AS log USING (capture_file)
LEFT JOIN number USING (capture_file)
LEFT JOIN score USING (capture_file)
LEFT JOIN (SELECT * FROM flag WHERE in_force) AS flag USING (capture_file);

CREATE VIEW export.cylinders AS
SELECT reading.capture_file,
       reading.cylinder,
       reading.firing_position,
       reading.relative_pct,
       reading.se_pct,
       score.family_pct,
       score.deviation_pct,
       reading.identified,
       reading.companion
FROM cylinder_reading AS reading
LEFT JOIN cylinder_score AS score USING (capture_file, firing_position);

CREATE VIEW export.checks AS
SELECT capture_file, "check", severity, detail FROM setup_check;

CREATE VIEW export.thresholds AS
SELECT engine_family, version, threshold_pct, set_at, set_by, reason, source FROM threshold;
