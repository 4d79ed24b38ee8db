-- What became of the captures up to a moment; a file that waits has no time of its own and counts on any day.
SELECT state.status, count(*) AS captures
FROM capture_state AS state
LEFT JOIN capture_log AS log USING (capture_file)
WHERE log.captured_at IS NULL OR log.captured_at <= $until
GROUP BY state.status
ORDER BY state.status
