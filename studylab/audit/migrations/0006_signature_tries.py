from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("audit", "0005_checks_of_the_seals")]

    operations = [
        migrations.AddIndex(
            model_name="event",
            index=models.Index(
                condition=models.Q(
                    ("action__in", ["signature.given", "signature.refused", "signature.locked"])
                ),
                fields=["actor_id", "-at", "-id"],
                name="event_by_signer",
            ),
        ),
    ]
