SELECT capture_file, measure, position, element, relative_pct, se_pct, identified, companion
FROM element_reading ORDER BY capture_file, rank, position
