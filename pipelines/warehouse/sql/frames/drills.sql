SELECT drill, technician, test, week_of, target FROM drill ORDER BY week_of, drill
