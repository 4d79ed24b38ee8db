-- What people entered in forms, newest first, and whether it was taken back since.
SELECT log.log_id, log.batch, log.logged_at, log.subject, log.key, log.action, log.entered_by, log.before, log.after,
       EXISTS (
           SELECT 1 FROM intake_log AS undo
           WHERE undo.action = 'undone' AND undo.subject = log.subject AND undo.key = log.key
             AND undo.reason = 'undo of ' || log.batch
       ) AS undone
FROM intake_log AS log
WHERE log.entered_by IS NOT NULL AND log.action IN ('added', 'changed') AND log.key IS NOT NULL
ORDER BY log.log_id DESC
LIMIT $rows
