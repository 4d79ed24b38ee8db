-- Every scored cylinder with what a threshold needs to judge it.
SELECT reading.capture_file, log.engine_family, reading.firing_position, reading.cylinder, reading.companion,
       score.deviation_pct
FROM cylinder_reading AS reading
JOIN cylinder_score AS score USING (capture_file, firing_position)
JOIN capture_log AS log USING (capture_file)
ORDER BY reading.capture_file, reading.firing_position
