SELECT engine_family, cylinder, pattern_pct, low, high, n FROM family_pattern ORDER BY engine_family, cylinder
