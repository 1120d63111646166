"""Every sentence and term of the report and the terminal; nothing else makes English."""
