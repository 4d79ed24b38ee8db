SELECT session, technician, held_on, topic, test FROM coaching ORDER BY held_on, session
