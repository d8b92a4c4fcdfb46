"""The local web application: reads the catalogue and the lake, writes notes and the service book alone.

It listens on this machine only, unless a person says otherwise. Start at serve.py; app.py has every address."""
