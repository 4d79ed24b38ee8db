SELECT repair_order, confirmed_at, finding, coalesce(confirmed_cylinders, []) AS confirmed_cylinders, method,
       coalesce(gauge_kpa, []) AS gauge_kpa
FROM outcome ORDER BY repair_order
