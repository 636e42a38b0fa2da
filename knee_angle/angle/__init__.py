"""From points and a view to angles with their ±: geometry, uncertainty, verdict. Numbers only."""
