"""How one actuation runs, compiled. It knows arrays only."""
