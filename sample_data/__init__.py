"""The demo venue: its file, the generator with faults that are known, small logs."""
