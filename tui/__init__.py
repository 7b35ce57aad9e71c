"""What a person meets: the command line, the monitor, pictures and cards."""
