-- One feature of one test, one row for each capture that has a number.
SELECT capture_file, value
FROM feature
SEMI JOIN (SELECT capture_file FROM capture_log WHERE test = $test) AS log USING (capture_file)
WHERE feature = $feature AND isfinite(value)
