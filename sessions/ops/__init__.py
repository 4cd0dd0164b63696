"""Marks travel as operations: how one is read, which row it changes, and what keeps a batch safe."""
