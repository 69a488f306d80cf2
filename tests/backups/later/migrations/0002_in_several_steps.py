"""Adds to a table that is in use, counts the rows that are there, waits if told so, and adds once more."""

from django.db import migrations


class Migration(migrations.Migration):
    """One transaction, as every migration of the house."""

    dependencies = [("later", "0001_what_a_later_version_adds")]
    operations = [
        migrations.RunSQL(
            "ALTER TABLE participants_participant ADD COLUMN later_first integer NOT NULL DEFAULT 7"
        ),
        migrations.RunSQL("INSERT INTO later_tally SELECT count(*) FROM participants_participant"),
        migrations.RunSQL("SELECT pg_sleep(seconds) FROM later.waits"),
        migrations.RunSQL("CREATE INDEX later_second ON scheduling_visit (number)"),
    ]
