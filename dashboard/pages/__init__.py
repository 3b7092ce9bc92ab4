"""The pages: thin layouts and callbacks; figures, analysis and files are elsewhere."""
