-- The captures of `captures` that were taken from $first_day to $last_day, both included.
SELECT state.capture_file, log.test, grouped."group", log.engine_family, log.component, log.technician, log.repair_order,
       log.vehicle, log.captured_at, log.purpose, state.status, state.reason,
       log.call, coalesce(log.call_elements, []) AS call_elements,
       array_to_string(log.ch_signals, ';') AS ch_signals, array_to_string(log.ch_scales, ';') AS ch_scales,
       log.sync_cylinder, state.rate_hz, state.duration_s
FROM capture_state AS state
LEFT JOIN capture_log AS log USING (capture_file)
LEFT JOIN capture_group AS grouped USING (capture_file)
WHERE CAST(log.captured_at AS DATE) BETWEEN $first_day AND $last_day
ORDER BY log.captured_at, state.capture_file
