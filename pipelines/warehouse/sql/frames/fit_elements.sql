-- Elements of one test by one measure; a fit puts them in order by itself.
SELECT reading.capture_file, reading.position, reading.element, reading.relative_pct, reading.se_pct,
       reading.identified, reading.companion
FROM element_reading AS reading
SEMI JOIN (SELECT capture_file FROM capture_log WHERE test = $test) AS log USING (capture_file)
WHERE reading.measure = $measure
