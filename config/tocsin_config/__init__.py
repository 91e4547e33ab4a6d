"""The site file: models, loader, presets and checks."""
