-- One row per capture: what the shop wrote and what became of it.
SELECT state.capture_file, log.engine_family, log.technician, log.repair_order, log.vehicle, log.captured_at,
       log.test, log.purpose, state.status, state.reason,
       number.cycles, number.crank_rpm, number.rest_v, number.crank_min_v,
       log.call, coalesce(log.call_cylinders, []) AS call_cylinders,
       array_to_string(log.ch_signals, ';') AS ch_signals, array_to_string(log.ch_scales, ';') AS ch_scales,
       log.sync_cylinder, state.rate_hz, state.duration_s
FROM capture_state AS state
LEFT JOIN capture_log AS log USING (capture_file)
LEFT JOIN (
    SELECT capture_file,
           max(value) FILTER (feature = 'cycles') AS cycles,
           max(value) FILTER (feature = 'crank_rpm') AS crank_rpm,
           max(value) FILTER (feature = 'rest_v') AS rest_v,
           max(value) FILTER (feature = 'crank_min_v') AS crank_min_v
    FROM feature GROUP BY capture_file
) AS number USING (capture_file)
ORDER BY log.captured_at, state.capture_file
