SELECT engine_family, version, threshold_pct, set_at, set_by, reason, source FROM threshold
ORDER BY engine_family, version
