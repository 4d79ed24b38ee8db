SELECT waveform_sha256 FROM capture_state WHERE capture_file = $capture_file
