SELECT log_id, batch, logged_at, subject, key, action, reason, before, after FROM intake_log ORDER BY log_id DESC LIMIT $rows
