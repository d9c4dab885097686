"""The simulator: one circuit gives ohms, volts, frames and who answers."""
