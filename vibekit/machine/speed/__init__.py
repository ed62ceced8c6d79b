"""How fast it turns: from a tachometer, or judged over the whole recording."""
