"""The commands, one file each, loaded only when called."""
