SELECT capture_file, notes FROM capture_state WHERE capture_file = $capture_file AND notes IS NOT NULL
