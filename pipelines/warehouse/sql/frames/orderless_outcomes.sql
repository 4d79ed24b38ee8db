-- Outcomes of orders that neither the orders nor any capture names: they count as soon as one does.
SELECT repair_order, test
FROM outcome
WHERE repair_order NOT IN (SELECT repair_order FROM repair_order)
  AND repair_order NOT IN (SELECT repair_order FROM capture_log WHERE repair_order IS NOT NULL)
ORDER BY repair_order, test
