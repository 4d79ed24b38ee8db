-- An outcome without its own time is dated by its repair order, so that it is known from then on.
-- An empty test means every test on that order whose elements the finding can speak of.
SELECT outcome.repair_order, outcome.test,
       coalesce(outcome.confirmed_at, repair_order.closed_at, repair_order.opened_at) AS confirmed_at,
       outcome.finding, coalesce(outcome.confirmed_elements, []) AS confirmed_elements, outcome.method,
       coalesce(outcome.gauge_kpa, []) AS gauge_kpa
FROM outcome
LEFT JOIN repair_order USING (repair_order)
ORDER BY outcome.repair_order, outcome.test
