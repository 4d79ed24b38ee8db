SELECT capture_file, start_s, end_s, index_s, event_s, position, mean_shape FROM capture_drawing
WHERE capture_file = $capture_file
