-- titles: what stands against which vehicles.
-- In:   findings
-- Out:  title, vehicle
-- Key:  (title, vehicle)
SELECT DISTINCT title, vehicle FROM findings ORDER BY title, vehicle;
