-- Mean cycles of a family, with the cylinder each begins with (NULL where only positions are known).
SELECT events.capture_file, events.mean_cycle, reading.cylinder AS first_cylinder
FROM capture_events AS events
JOIN capture_log AS log USING (capture_file)
JOIN cylinder_reading AS reading USING (capture_file)
WHERE log.engine_family = $engine_family AND len(events.mean_cycle) > 0 AND reading.firing_position = 1
ORDER BY events.capture_file
