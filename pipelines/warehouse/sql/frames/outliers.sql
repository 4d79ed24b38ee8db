SELECT capture_file, outlier_score, outlier_p, outlier_model, calibration_n, reasons FROM outlier ORDER BY capture_file
