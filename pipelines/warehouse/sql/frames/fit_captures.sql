-- Captures of one test, with what a fit needs of them.
SELECT log.capture_file, log.test, grouped."group", log.repair_order, log.vehicle, log.captured_at, log.purpose,
       state.status, log.call, state.rate_hz, state.duration_s
FROM capture_state AS state
JOIN capture_log AS log USING (capture_file)
JOIN capture_group AS grouped USING (capture_file)
WHERE log.test = $test
ORDER BY log.captured_at, state.capture_file
