-- Usual value and deviation of the elements of one test by one measure.
SELECT score.capture_file, score.measure, score.position, score.group_pct, score.deviation_pct
FROM element_score AS score
SEMI JOIN (SELECT capture_file FROM capture_log WHERE test = $test) AS log USING (capture_file)
WHERE score.measure = $measure AND score.deviation_pct IS NOT NULL
ORDER BY score.capture_file, score.position
