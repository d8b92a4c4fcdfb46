"""What several metric sets need: samples of brakings, steady moments, heat on a grid, the way travelled, least margins.

Not sets themselves: nothing here is registered. A change here is a change of the room `measuring` (assess/versions.py).
"""
