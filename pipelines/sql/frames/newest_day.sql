-- The newest day anything of the shop was recorded on.
SELECT max(day) AS newest_day FROM (
    SELECT max(CAST(captured_at AS DATE)) AS day FROM capture_log
    UNION ALL SELECT max(CAST(opened_at AS DATE)) FROM repair_order
    UNION ALL SELECT max(CAST(closed_at AS DATE)) FROM repair_order
    UNION ALL SELECT max(CAST(confirmed_at AS DATE)) FROM outcome
    UNION ALL SELECT max(held_on) FROM coaching
)
