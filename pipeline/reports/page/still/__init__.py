"""A figure as a picture that needs no script: SVG written from the same specification that the drawing script reads.

It stands in the page from the first moment, prints, and keeps its heights on any width. Start at picture.still().
It may touch `page.figure` and `words`, nothing else.
"""
