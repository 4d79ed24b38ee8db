SELECT * FROM proposal WHERE test = $test AND measure = $measure ORDER BY "group"
