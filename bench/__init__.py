"""The stretching frame and the run: Modbus, control, limits and recording."""
