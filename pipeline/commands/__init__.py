"""The verbs of the command line: every module here is one, with ORDER (its place in --help) and register(app).

May touch everything below; says it in words or JSON through terminal/. Heavy imports wait until a verb runs.
"""
