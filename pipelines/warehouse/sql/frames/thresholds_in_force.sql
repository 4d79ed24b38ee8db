-- A threshold somebody set stands until somebody sets another; without one, the newest proposal stands.
SELECT test, measure, "group", version, threshold_pct, set_at, set_by, reason, source
FROM threshold
QUALIFY row_number() OVER (PARTITION BY test, measure, "group" ORDER BY source = 'set' DESC, version DESC) = 1
ORDER BY test, measure, "group"
