-- The newest day anything was recorded: follow-up of repairs ends here.
SELECT CAST(max(day) AS DATE) AS last_day
FROM (
    SELECT max(captured_at) AS day FROM capture_log
    UNION ALL SELECT max(opened_at) FROM repair_order
    UNION ALL SELECT max(closed_at) FROM repair_order
    UNION ALL SELECT max(confirmed_at) FROM outcome
)
