-- A threshold somebody set stands until somebody sets another; without one, the newest proposal stands.
SELECT engine_family, version, threshold_pct, set_at, set_by, reason, source
FROM threshold
QUALIFY row_number() OVER (PARTITION BY engine_family ORDER BY source = 'set' DESC, version DESC) = 1
ORDER BY engine_family
