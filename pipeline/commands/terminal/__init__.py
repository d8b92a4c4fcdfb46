"""What verbs share: the options they have in common, tables, progress and JSON on the terminal, rows to show.

Reads the published catalogue; writes to the terminal alone. Texts from logs are shown, never obeyed.
"""
