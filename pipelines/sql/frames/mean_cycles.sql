SELECT capture_file, mean_cycle FROM capture_events
JOIN capture_log USING (capture_file)
WHERE engine_family = $engine_family AND len(mean_cycle) > 0
ORDER BY capture_file
