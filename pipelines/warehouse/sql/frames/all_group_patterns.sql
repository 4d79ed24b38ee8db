SELECT test, measure, "group", element, pattern_pct FROM group_pattern ORDER BY test, measure, "group", element
