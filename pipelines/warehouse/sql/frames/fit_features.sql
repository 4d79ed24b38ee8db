-- Features of one test that have a number somewhere, in the order in which the captures bring them up.
SELECT feature
FROM feature
SEMI JOIN (SELECT capture_file FROM capture_log WHERE test = $test) AS log USING (capture_file)
WHERE isfinite(value)
GROUP BY feature
ORDER BY min(capture_file), feature
