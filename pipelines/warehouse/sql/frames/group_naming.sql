-- How the elements of each group are identified: whether any is named, and whether any is one of a pair.
SELECT log.test, grouped."group", bool_or(reading.element IS NOT NULL) AS named,
       bool_or(coalesce(reading.identified = 'pair', false)) AS pairs
FROM element_reading AS reading
JOIN capture_log AS log USING (capture_file)
JOIN capture_group AS grouped USING (capture_file)
GROUP BY ALL
ORDER BY ALL
