SELECT test, "group", engine_family, component, elements, sequence, places, uneven, family, apart FROM comparison_group
ORDER BY test, "group"
