-- What each proposed threshold rests on.
SELECT test, measure, "group", threshold_pct, basis, false_alarm_n, detection_n, cost_miss, cost_false_alarm FROM proposal
ORDER BY test, measure, "group"
