"""Creep of one fibre spoke: laws, fits, batches and gauge curves. Arrays in, values out; no files, no clocks."""
