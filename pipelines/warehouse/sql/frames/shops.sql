-- Every shop something is on record of, by name; '' is the one without a name.
SELECT shop
FROM (
    SELECT shop FROM engine_family UNION SELECT shop FROM technician UNION SELECT shop FROM repair_order
    UNION SELECT shop FROM capture_log UNION SELECT shop FROM outcome UNION SELECT shop FROM drill
    UNION SELECT shop FROM coaching
    UNION SELECT CASE WHEN contains(capture_file, '▸') THEN split_part(capture_file, '▸', 1) ELSE '' END FROM capture_state
)
ORDER BY shop
