-- all_scores: the scores of all vehicles.  In: -.  Out: the scores rows.  Key: (vehicle, subsystem).
SELECT * FROM scores;
