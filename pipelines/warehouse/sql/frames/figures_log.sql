-- The newest thing that happened to the shop's rows, files and fits: decisions on thresholds and settings do not count.
SELECT coalesce(max(log_id), 0) AS log_id FROM intake_log WHERE subject NOT IN ('threshold', 'setting')
