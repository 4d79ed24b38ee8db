-- The newest day anything was recorded, by shop: follow-up of repairs ends here.
SELECT shop, CAST(max(day) AS DATE) AS last_day
FROM (
    SELECT shop, max(captured_at) AS day FROM capture_log GROUP BY shop
    UNION ALL SELECT shop, max(opened_at) FROM repair_order GROUP BY shop
    UNION ALL SELECT shop, max(closed_at) FROM repair_order GROUP BY shop
    UNION ALL SELECT shop, max(confirmed_at) FROM outcome GROUP BY shop
)
GROUP BY shop
ORDER BY shop
