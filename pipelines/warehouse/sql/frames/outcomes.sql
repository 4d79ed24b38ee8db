-- An outcome without its own time is dated by its repair order, so that it is known from then on.
SELECT outcome.repair_order,
       coalesce(outcome.confirmed_at, repair_order.closed_at, repair_order.opened_at) AS confirmed_at,
       outcome.finding, coalesce(outcome.confirmed_cylinders, []) AS confirmed_cylinders, outcome.method,
       coalesce(outcome.gauge_kpa, []) AS gauge_kpa
FROM outcome
LEFT JOIN repair_order USING (repair_order)
ORDER BY outcome.repair_order
