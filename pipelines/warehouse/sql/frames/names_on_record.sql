-- Every name of a person that stands in a column of its own; `works` where the shop's tables use it.
SELECT name, bool_or(works) AS works
FROM (
    SELECT technician AS name, true AS works FROM technician
    UNION ALL SELECT technician, true FROM capture_log
    UNION ALL SELECT technician, true FROM repair_order
    UNION ALL SELECT technician, true FROM drill
    UNION ALL SELECT technician, true FROM coaching
    UNION ALL SELECT set_by, false FROM setting
    UNION ALL SELECT set_by, false FROM threshold WHERE source = 'set'
    UNION ALL SELECT entered_by, false FROM intake_log
    UNION ALL SELECT entered_by, false FROM waiting_mark
    UNION ALL SELECT assigned_to, false FROM waiting_mark
)
WHERE name IS NOT NULL AND name <> ''
GROUP BY name ORDER BY name
