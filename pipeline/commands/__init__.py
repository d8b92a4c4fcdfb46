"""The command line's verbs, one file each. Every file has `register(app)`; heavy imports wait until a verb runs."""
