SELECT capture_file, cylinder, firing_position, relative_pct, se_pct, identified, companion
FROM cylinder_reading ORDER BY capture_file, firing_position
