-- Whose every capture is: who made it by the log, who uploaded it, and its day.
SELECT capture_file, log.technician, log.captured_at, upload.entered_by AS uploaded_by
FROM capture_state
FULL JOIN capture_log AS log USING (capture_file)
LEFT JOIN (
    SELECT key AS capture_file, arg_max(entered_by, log_id) AS entered_by
    FROM intake_log WHERE subject = 'upload' AND action = 'added' AND key IS NOT NULL GROUP BY key
) AS upload USING (capture_file)
ORDER BY capture_file
