SELECT log_id, batch, logged_at, subject, key, action, reason, before, after, entered_by FROM intake_log ORDER BY log_id DESC LIMIT $rows
