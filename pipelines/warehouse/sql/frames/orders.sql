SELECT repair_order, opened_at, closed_at, technician, vehicle, engine_family, complaint, scope_eligible,
       comeback_of, labour_h, parts_cost, parts_returned, model_year
FROM repair_order ORDER BY opened_at, repair_order
