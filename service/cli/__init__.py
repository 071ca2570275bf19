"""The commands, one file each. Nothing is imported here, and a command imports what it needs when it runs."""
