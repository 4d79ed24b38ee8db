SELECT technician, started_on FROM technician ORDER BY technician
