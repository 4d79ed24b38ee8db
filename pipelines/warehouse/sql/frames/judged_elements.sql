-- Every scored element with what a threshold needs to judge it; of a large shop, one piece of its captures at a time.
WITH reading AS (SELECT * FROM element_reading WHERE hash(capture_file) % $pieces = $piece),
     score AS (SELECT * FROM element_score WHERE hash(capture_file) % $pieces = $piece),
     judged AS (SELECT * FROM measure_score WHERE hash(capture_file) % $pieces = $piece),
     log AS (SELECT capture_file, test FROM capture_log WHERE hash(capture_file) % $pieces = $piece),
     grouped AS (SELECT capture_file, "group" FROM capture_group WHERE hash(capture_file) % $pieces = $piece)
SELECT log.test, reading.measure, reading.rank, reading.capture_file, grouped."group", reading.position, reading.element,
       reading.companion, score.deviation_pct, coalesce(judged.judged_pct / nullif(judged.odd_pct, 0), 1) AS certainty
FROM reading
JOIN score USING (capture_file, measure, position)
LEFT JOIN judged USING (capture_file, measure)
JOIN log USING (capture_file)
JOIN grouped USING (capture_file)
ORDER BY log.test, reading.rank, reading.capture_file, reading.position
