"""What leaves: the only room that draws, formats or writes."""
