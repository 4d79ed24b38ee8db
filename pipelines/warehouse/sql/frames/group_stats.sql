SELECT * FROM group_stat WHERE test = $test AND measure = $measure ORDER BY "group"
