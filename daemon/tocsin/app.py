"""Being laid."""
