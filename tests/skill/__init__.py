"""`make skill`: simulated years, the real program run over them, and what it told set beside what was true."""
