-- What became of each shop's captures up to a moment; a file that waits has no time of its own and counts on any day.
SELECT CASE WHEN contains(state.capture_file, '▸') THEN split_part(state.capture_file, '▸', 1) ELSE '' END AS shop,
       state.status, count(*) AS captures
FROM capture_state AS state
LEFT JOIN capture_log AS log USING (capture_file)
WHERE log.captured_at IS NULL OR log.captured_at <= $until
GROUP BY ALL
ORDER BY shop, state.status
