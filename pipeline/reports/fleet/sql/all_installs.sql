-- all_installs: parts and versions seen, of all vehicles.  In: -.  Out: the installs rows.  Key: (vehicle, component, from_t).
SELECT * FROM installs ORDER BY component, from_t;
