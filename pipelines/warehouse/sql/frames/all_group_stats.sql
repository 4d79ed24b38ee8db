SELECT * FROM group_stat ORDER BY test, measure, "group"
