"""Fitting the chance model: replaying games, the net in PyTorch, its training, and its export. Development only."""
