-- Rows of the shop's tables that were refused and have not been taken in since, each with its newest reason.
SELECT subject AS file, key, arg_max(reason, log_id) AS reason, max(logged_at) AS since
FROM intake_log AS refused
WHERE action = 'refused' AND regexp_matches(subject, '\.(csv|xlsx)$') AND entered_by IS NULL AND key IS NOT NULL
  AND NOT EXISTS (
      SELECT 1 FROM intake_log AS taken
      WHERE taken.subject = refused.subject AND taken.key = refused.key
        AND taken.action IN ('added', 'changed') AND taken.log_id > refused.log_id
  )
GROUP BY subject, key
ORDER BY since, subject, key
