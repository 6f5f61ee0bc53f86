"""What meters send by themselves: messages read by mappings kept as data, saved, then acknowledged."""
