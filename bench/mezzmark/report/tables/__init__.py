"""Tables, declared once, rendered for page, Markdown and terminal."""
