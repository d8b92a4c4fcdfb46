-- vehicles: every vehicle by name.  In: -.  Out: the vehicles rows.  Key: vehicle.
SELECT * FROM vehicles ORDER BY vehicle;
