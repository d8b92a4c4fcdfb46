-- profiles_met: the profiles that logs were taken by and that no vehicle was judged by yet.
-- In:    logs, judged.   Out: profile.   Key: profile
SELECT DISTINCT profile FROM logs WHERE profile NOT IN (SELECT profile FROM judged) ORDER BY profile
