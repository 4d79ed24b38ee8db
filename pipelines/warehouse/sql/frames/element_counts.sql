-- How many elements the readings of each group have, most frequent first.
SELECT log.test, grouped."group", counted.elements
FROM (SELECT capture_file, count(*) AS elements FROM element_reading WHERE rank = 0 GROUP BY capture_file) AS counted
JOIN capture_state AS state USING (capture_file)
JOIN capture_log AS log USING (capture_file)
JOIN capture_group AS grouped USING (capture_file)
WHERE state.status = 'read' AND grouped."group" IS NOT NULL
GROUP BY ALL
ORDER BY log.test, grouped."group", count(*) DESC, counted.elements
