SELECT capture_file, feature, value FROM feature ORDER BY capture_file, feature
