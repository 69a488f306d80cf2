"""allauth's table as its own migrations make it, also where they ran while ACCOUNT_UNIQUE_EMAIL was off."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [
        ("people", "0009_second_steps"),
        ("account", "0009_emailaddress_unique_primary_email"),
    ]

    operations = [
        migrations.RunSQL(
            "CREATE UNIQUE INDEX IF NOT EXISTS unique_verified_email "
            "ON account_emailaddress (email) WHERE verified",
            migrations.RunSQL.noop,
        )
    ]
