-- The newest thing that happened to the shop's rows and files; decisions on thresholds do not count.
SELECT coalesce(max(log_id), 0) AS log_id FROM intake_log WHERE subject <> 'threshold'
