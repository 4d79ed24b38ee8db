-- The ways each shop's text files were read, the usual ones first; `told` where a folder's own file said how.
SELECT read_as, told IS NOT NULL AS told, count(*) AS captures, min(capture_file) AS example,
       CASE WHEN contains(capture_file, '▸') THEN split_part(capture_file, '▸', 1) ELSE '' END AS shop
FROM capture_state
WHERE read_as IS NOT NULL
GROUP BY ALL
ORDER BY captures DESC, read_as, shop
