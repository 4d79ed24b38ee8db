SELECT * FROM family_stat ORDER BY engine_family
