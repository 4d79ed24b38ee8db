SELECT score.capture_file, score.odd_pct, odd_se_pct, odd_position, odd_cylinder, odd_companion, p_value, p_basis, p_floor,
       outlier_score, outlier_p, outlier_model, calibration_n, reasons,
       flag.flagged, flag.flagged_cylinders, flag.flagged_positions, flag.threshold_pct, flag.threshold_version
FROM score
LEFT JOIN (SELECT * FROM flag WHERE in_force) AS flag USING (capture_file)
ORDER BY score.capture_file
