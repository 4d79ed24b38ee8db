SELECT test, measure, "group", version, threshold_pct, set_at, set_by, reason, source FROM threshold
ORDER BY test, measure, "group", version
