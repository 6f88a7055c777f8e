"""The simulation model: SimPy processes that behave as the machines and people do."""
