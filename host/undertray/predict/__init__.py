"""From what runs and pulls measured to what a car will do: drag, drivable window."""
