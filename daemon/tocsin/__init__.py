"""Tocsin: says how many minutes a battery has left, and acts before it cuts off."""

__version__ = "0.1.0"
