"""From what runs and pulls measured to what a car will do: drag, window, springs, fan law, what if."""
