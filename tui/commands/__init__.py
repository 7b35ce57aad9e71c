"""One file a command group; each is imported only when its command runs."""
