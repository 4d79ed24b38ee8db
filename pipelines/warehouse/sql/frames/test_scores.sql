-- Scores of one test by one measure, with what a fit gave, and the flag in force.
SELECT score.capture_file, score.measure, score.odd_pct, odd_se_pct, judged_pct, odd_position, odd_element,
       odd_companion, p_value, p_basis, p_floor, model_p, flag.flagged
FROM measure_score AS score
SEMI JOIN (SELECT capture_file FROM capture_log WHERE test = $test) AS log USING (capture_file)
LEFT JOIN (SELECT capture_file, measure, flagged FROM flag WHERE in_force) AS flag USING (capture_file, measure)
WHERE score.measure = $measure
ORDER BY score.capture_file
