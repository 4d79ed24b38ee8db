SELECT "group", element, pattern_pct, low, high, n, predict_low, predict_high
FROM group_pattern WHERE test = $test AND measure = $measure ORDER BY "group", element
