"""Physics and statistics as pure functions of arrays: no session, no profile, no file."""
