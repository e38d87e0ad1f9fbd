"""More: signing in, people, places, sources, beds, facts, and everything that was entered."""
