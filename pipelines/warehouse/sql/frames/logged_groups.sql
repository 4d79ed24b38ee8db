-- Every comparison group the log names, and what names it.
SELECT DISTINCT log.test, grouped."group",
       CASE WHEN log.component IS NULL THEN log.engine_family END AS engine_family, log.component
FROM capture_log AS log JOIN capture_group AS grouped USING (capture_file)
WHERE log.test IS NOT NULL AND grouped."group" IS NOT NULL
ORDER BY log.test, grouped."group"
