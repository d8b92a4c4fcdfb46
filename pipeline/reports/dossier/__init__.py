"""The dossier: all that is known of one unit, for the person who has it on the bench. Start at write.write_dossier().

Findings with drawn evidence, what other limits would say, and one leaf a subject (leaves/). It may read the published
catalogue and the lake, and writes one page; it knows nothing of the history.
"""
