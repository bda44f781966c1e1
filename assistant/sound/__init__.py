"""Sound in and out: samples, devices, files, players, noise, echo. Knows no words."""
