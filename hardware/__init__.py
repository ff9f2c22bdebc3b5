"""The board: outputs with a lease, sensor files, pulse inputs. Empty until the real plant is built."""
