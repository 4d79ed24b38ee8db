SELECT capture_file, crank_start_s, crank_end_s, sync_s, compression_s, position, mean_cycle FROM capture_events
WHERE capture_file = $capture_file
