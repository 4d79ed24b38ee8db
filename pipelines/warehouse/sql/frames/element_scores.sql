-- Every element with what its group makes of it.
SELECT reading.capture_file, reading.measure, reading.position, reading.element, reading.relative_pct, reading.se_pct,
       score.group_pct, score.deviation_pct, reading.identified, reading.companion
FROM element_reading AS reading
LEFT JOIN element_score AS score USING (capture_file, measure, position)
ORDER BY reading.capture_file, reading.rank, reading.position
