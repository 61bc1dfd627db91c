"""Alarms: what is measured (rules), for how long (delays), what follows (states), all together (engine)."""
