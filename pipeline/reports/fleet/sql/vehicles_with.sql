-- vehicles_with: vehicles that have a finding of some severities.  In: $severities VARCHAR[].  Out: vehicle.  Key: vehicle.
SELECT DISTINCT vehicle FROM findings WHERE list_contains($severities, severity) ORDER BY vehicle;
