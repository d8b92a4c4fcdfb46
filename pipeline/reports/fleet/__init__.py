"""The site of the herd: fleet page, night page and a page a vehicle. Start at site.write_fleet().

Static files with relative links, rewritten only where something changed. It may read the published catalogue, draw
small evidence from the lake, and have dossiers written beside its pages.
"""
