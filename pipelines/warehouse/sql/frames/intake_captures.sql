-- Every capture logged or seen, with all an ingest needs to decide what to do with it.
SELECT coalesce(log.capture_file, state.capture_file) AS capture_file,
       log.capture_file IS NOT NULL AS logged,
       log.engine_family, log.test, log.ch_signals, log.ch_scales, log.sync_cylinder,
       state.status, state.reason, state.file_sha256, state.file_bytes, state.file_mtime_ns,
       state.waveform_sha256, state.read_from, state.told, state.read_as
FROM capture_log AS log
FULL JOIN capture_state AS state ON log.capture_file = state.capture_file
ORDER BY 1
