SELECT name, value, set_at, set_by FROM setting ORDER BY name
