-- Captures whose earlier reading stands although their newest file or the warehouse's copy cannot be read.
SELECT capture_file, what, reason, file_bytes, file_mtime_ns, tried_with, noticed_at FROM capture_trouble ORDER BY capture_file
