"""What must work before anything is installed. Standard library only, no Django, no settings."""
