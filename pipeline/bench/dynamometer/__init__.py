"""Motor and drive maps, coast-down, charge and discharge tests: measured on a stand, each with its error.

It reads logs and tables of the stand's own instruments, and touches no store."""
