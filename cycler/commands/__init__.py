"""The commands, one module per concern: reading (nothing is kept), keeping (the register), serving (page and demo)."""
