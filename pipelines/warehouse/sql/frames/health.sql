SELECT health.capture_file, grouped."group", health.healthy_probability, health.label
FROM capture_health AS health
JOIN capture_group AS grouped USING (capture_file)
WHERE grouped.test = $test AND health.measure = $measure
ORDER BY health.capture_file
