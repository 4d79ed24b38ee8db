-- Every scored element with what a threshold needs to judge it.
SELECT log.test, reading.measure, reading.rank, reading.capture_file, grouped."group", reading.position, reading.element,
       reading.companion, score.deviation_pct, coalesce(judged.judged_pct / nullif(judged.odd_pct, 0), 1) AS certainty
FROM element_reading AS reading
JOIN element_score AS score USING (capture_file, measure, position)
LEFT JOIN measure_score AS judged USING (capture_file, measure)
JOIN capture_log AS log USING (capture_file)
JOIN capture_group AS grouped USING (capture_file)
ORDER BY log.test, reading.rank, reading.capture_file, reading.position
