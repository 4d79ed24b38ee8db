SELECT session, note FROM coaching WHERE note IS NOT NULL ORDER BY session
