from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("outbox", "0002_wordings_and_reach")]

    operations = [
        migrations.AddField("message", "matters_until", models.DateTimeField(null=True)),
        migrations.RunSQL(
            "UPDATE outbox_message SET matters_until = useful_until", migrations.RunSQL.noop
        ),
        migrations.AlterField("message", "matters_until", models.DateTimeField()),
        migrations.AddConstraint(
            "message",
            models.CheckConstraint(
                condition=models.Q(("matters_until__gte", models.F("useful_until"))),
                name="message_matters_after_use",
            ),
        ),
    ]
