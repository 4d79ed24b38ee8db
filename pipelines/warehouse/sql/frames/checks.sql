SELECT capture_file, "check", severity, detail FROM setup_check ORDER BY capture_file, "check"
