"""The page about all vehicles: lives, batches, outcomes, trajectories, as figures with n, window and censoring."""
