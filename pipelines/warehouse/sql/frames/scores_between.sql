-- The scores of `scores`, of captures taken from $first_day to $last_day, both included.
SELECT score.capture_file, score.measure, score.rank, score.odd_pct, odd_se_pct, judged_pct, odd_position, odd_element, odd_companion,
       p_value, p_basis, p_floor, model_p,
       flag.flagged, flag.flagged_elements, flag.flagged_positions, flag.threshold_pct, flag.threshold_version
FROM measure_score AS score
LEFT JOIN (SELECT * FROM flag WHERE in_force) AS flag USING (capture_file, measure)
WHERE score.capture_file IN (
    SELECT capture_file FROM capture_log WHERE CAST(captured_at AS DATE) BETWEEN $first_day AND $last_day
)
ORDER BY score.capture_file, score.rank
