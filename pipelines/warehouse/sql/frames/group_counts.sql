-- Captures of each comparison group up to a moment.
SELECT log.test, grouped."group", count(*) AS captures,
       count(*) FILTER (log.purpose = 'known_good') AS known_good
FROM capture_state AS state
JOIN capture_log AS log USING (capture_file)
JOIN capture_group AS grouped USING (capture_file)
WHERE log.captured_at <= $until
GROUP BY ALL
ORDER BY ALL
