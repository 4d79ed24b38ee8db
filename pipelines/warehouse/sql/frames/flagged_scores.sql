-- The scores of `scores` that the limit in force flags.
SELECT score.capture_file, score.measure, score.rank, score.odd_pct, odd_se_pct, judged_pct, odd_position, odd_element, odd_companion,
       p_value, p_basis, p_floor, model_p,
       flag.flagged, flag.flagged_elements, flag.flagged_positions, flag.threshold_pct, flag.threshold_version
FROM measure_score AS score
JOIN (SELECT * FROM flag WHERE in_force AND flagged) AS flag USING (capture_file, measure)
ORDER BY score.capture_file, score.rank
