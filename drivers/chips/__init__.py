"""One module for each family of chips: register map, compensation and driver."""
