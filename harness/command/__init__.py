"""The commands and their arguments, one file each."""
