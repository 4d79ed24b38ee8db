-- Since when a file has been refused or waiting: the newest log row that says so.
SELECT key AS capture_file, max(logged_at) AS since
FROM intake_log
WHERE subject = 'waveform' AND action IN ('waiting', 'refused') AND key IS NOT NULL
GROUP BY key
ORDER BY key
