"""The history: dated, neutral lines about one vehicle for a warranty file, sealed. Start at write.write_history().

A pure function of the published catalogue (document.py), written in three forms (forms.py), held against the store
later (verify.py). It names no cause and nobody's fault; it knows nothing of the dossier.
"""
