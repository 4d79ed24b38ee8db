SELECT name, value, written_at FROM document ORDER BY name
