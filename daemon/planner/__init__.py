"""How many repeats, which sample rate and how long a record: answers before anything is measured."""
