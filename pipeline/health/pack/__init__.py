"""What rules and pages share about a pack over months: capacity, offsets and leaks of groups, life use, efficiency, and
reported charge against ours. Each module turns a record into figures with standard errors and judges nothing: a limit
belongs to a rule. It may import health's own reading and statistics, never a rule.
"""
