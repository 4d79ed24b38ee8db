SELECT * FROM export.cylinders ORDER BY capture_file, firing_position
