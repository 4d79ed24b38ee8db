-- Elements of the captures that share vehicle and day with another: all a person's repeatability can rest on.
SELECT capture_file, measure, position, element, relative_pct, se_pct, identified, companion
FROM element_reading
WHERE capture_file IN (
    SELECT capture_file FROM capture_log
    WHERE vehicle IS NOT NULL AND technician IS NOT NULL
    QUALIFY count(*) OVER (PARTITION BY test, technician, vehicle, CAST(captured_at AS DATE)) > 1
)
ORDER BY capture_file, rank, position
