"""What a vehicle is and what its signals mean: profile, figures, chemistry, roles and units, and signals as arrays.

Start at profile.load_profile(). A vehicle and a chemistry are one file each. It knows no logs, lake, store or rules and
touches only the profile's own files; it may import science and the decoders.
"""
