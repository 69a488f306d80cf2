"""A table, and another beside those of the house that says whether the next migration is to wait, so that a test can end it."""

from django.db import migrations


class Migration(migrations.Migration):
    """Behind everything that the participants of today have."""

    dependencies = [("participants", "__latest__"), ("scheduling", "__latest__")]
    operations = [
        migrations.RunSQL(
            "CREATE SCHEMA IF NOT EXISTS later; CREATE TABLE IF NOT EXISTS later.waits (seconds integer);"
            " CREATE TABLE later_tally (many integer NOT NULL)"
        ),
    ]
