-- Mean shapes of a group, with the element each begins with (NULL where only positions are known).
SELECT drawing.capture_file, drawing.mean_shape, reading.element AS first_element
FROM capture_drawing AS drawing
JOIN capture_log AS log USING (capture_file)
JOIN capture_group AS grouped USING (capture_file)
JOIN element_reading AS reading USING (capture_file)
WHERE log.test = $test AND grouped."group" = $group AND len(drawing.mean_shape) > 0
  AND reading.position = 1 AND reading.rank = 0
ORDER BY drawing.capture_file
