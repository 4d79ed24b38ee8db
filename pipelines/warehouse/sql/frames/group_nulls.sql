SELECT "group", odd_pct, tail_from, tail_sd_pct FROM group_null WHERE test = $test AND measure = $measure ORDER BY "group"
