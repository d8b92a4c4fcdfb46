"""A hundred makers: a second invented world that draws the design at random, not only the vehicle, so that rules can
be judged on what their authors did not build. It may use pipeline's front doors; nothing of pipeline may import it, and
no limit may be fitted to the half of its designs that is set aside (see README.md)."""
