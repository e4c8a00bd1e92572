"""Rules that the records must keep, table by table."""
