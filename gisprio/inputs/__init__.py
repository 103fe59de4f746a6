"""Reading and checking: the config, the layers, the legend. Knows no science and makes no output."""
