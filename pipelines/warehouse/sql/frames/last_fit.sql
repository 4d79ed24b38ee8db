SELECT fit_id, fitted_at, captures, seconds FROM fit_run ORDER BY fit_id DESC LIMIT 1
