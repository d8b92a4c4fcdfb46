"""What every page is made of: figures, blocks, templates, style sheet, and one HTML file that fetches nothing.

Knows no vehicle and no catalogue: it is given texts, numbers and figures, and escapes what it is given. It may touch
the file that it writes, and `words`.
"""
