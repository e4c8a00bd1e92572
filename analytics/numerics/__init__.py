"""The engines: arrays in, a frozen dataclass out; no tables, no records."""
