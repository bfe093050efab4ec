import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    replaces = [('publishing', '0001_initial'), ('publishing', '0002_post')]

    initial = True

    dependencies = [
        ('events', '0001_tables'),
        ('events', '__first__'),
    ]

    operations = [
        migrations.CreateModel(
            name='Edition',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('number', models.PositiveIntegerField()),
                ('department', models.CharField(blank=True, max_length=16)),
                ('published_at', models.DateTimeField()),
                ('published_by', models.CharField(max_length=200)),
                ('note', models.TextField(blank=True)),
                ('revision', models.PositiveBigIntegerField()),
                ('plan_digest', models.CharField(max_length=64)),
                ('digest', models.CharField(max_length=64)),
                ('accepted', models.JSONField(default=list)),
                ('header', models.JSONField()),
                ('event', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='editions', to='events.event')),
                ('replaces', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='replaced_by', to='publishing.edition')),
            ],
            options={
                'ordering': ['event', '-number'],
                'constraints': [models.UniqueConstraint(fields=('event', 'number'), name='publishing_edition_number_once_per_event')],
            },
        ),
        migrations.CreateModel(
            name='EditionLine',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('position', models.PositiveIntegerField()),
                ('carrier', models.CharField(max_length=40)),
                ('unit_key', models.CharField(blank=True, db_index=True, max_length=24)),
                ('department', models.CharField(blank=True, max_length=16)),
                ('zone', models.CharField(max_length=32)),
                ('content', models.JSONField()),
                ('edition', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='lines', to='publishing.edition')),
            ],
            options={
                'ordering': ['edition', 'position'],
                'indexes': [models.Index(fields=['edition', 'department'], name='publishing__edition_5213e3_idx')],
                'constraints': [models.UniqueConstraint(fields=('edition', 'position'), name='publishing_line_position_once')],
            },
        ),
        migrations.CreateModel(
            name='Hook',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('rung_at', models.DateTimeField(blank=True, null=True)),
                ('turn', models.PositiveBigIntegerField(default=0)),
                ('lease_until', models.DateTimeField(blank=True, null=True)),
                ('failures', models.PositiveIntegerField(default=0)),
                ('quiet_until', models.DateTimeField(blank=True, null=True)),
                ('label', models.CharField(max_length=100)),
                ('address', models.CharField(max_length=500)),
                ('topics', models.JSONField(default=list)),
                ('secret', models.CharField(max_length=100)),
                ('former_secret', models.CharField(blank=True, max_length=100)),
                ('former_until', models.DateTimeField(blank=True, null=True)),
                ('off', models.CharField(blank=True, max_length=300)),
                ('reads_from', models.PositiveBigIntegerField(default=0)),
                ('version', models.PositiveIntegerField(default=1)),
                ('created_at', models.DateTimeField(auto_now_add=True)),
                ('department', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.CASCADE, related_name='hooks', to='events.department')),
                ('event', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='hooks', to='events.event')),
                ('owner', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='hooks', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['event', 'label', 'pk'],
                'constraints': [models.UniqueConstraint(fields=('department', 'label'), name='publishing_hook_label_once'), models.UniqueConstraint(condition=models.Q(('department', None)), fields=('event', 'label'), name='publishing_hook_label_once_for_the_event')],
            },
        ),
        migrations.CreateModel(
            name='Delivery',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('key', models.CharField(max_length=64, unique=True)),
                ('topic', models.CharField(max_length=40)),
                ('subject', models.CharField(max_length=60)),
                ('words', models.CharField(max_length=300)),
                ('body', models.TextField()),
                ('made_at', models.DateTimeField()),
                ('since', models.DateTimeField()),
                ('state', models.CharField(choices=[('waiting', 'waiting'), ('delivered', 'delivered'), ('given up', 'given up')], default='waiting', max_length=16)),
                ('next_at', models.DateTimeField()),
                ('attempts', models.PositiveIntegerField(default=0)),
                ('answer', models.CharField(blank=True, max_length=300)),
                ('delivered_at', models.DateTimeField(blank=True, null=True)),
                ('hook', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='deliveries', to='publishing.hook')),
            ],
            options={
                'ordering': ['hook', 'pk'],
                'indexes': [models.Index(condition=models.Q(('state', 'waiting')), fields=['hook', 'subject'], name='publishing_delivery_waiting'), models.Index(fields=['hook', '-id'], name='publishing_delivery_log')],
            },
        ),
        migrations.CreateModel(
            name='Attempt',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('at', models.DateTimeField()),
                ('status', models.PositiveSmallIntegerField(blank=True, null=True)),
                ('words', models.CharField(max_length=300)),
                ('delivery', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='log', to='publishing.delivery')),
            ],
            options={
                'ordering': ['delivery', '-pk'],
            },
        ),
        migrations.CreateModel(
            name='Mailbox',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('rung_at', models.DateTimeField(blank=True, null=True)),
                ('turn', models.PositiveBigIntegerField(default=0)),
                ('lease_until', models.DateTimeField(blank=True, null=True)),
                ('failures', models.PositiveIntegerField(default=0)),
                ('quiet_until', models.DateTimeField(blank=True, null=True)),
                ('unwanted', models.JSONField(default=list)),
                ('pace', models.CharField(choices=[('soon', 'soon, gathered for some minutes into one letter'), ('daily', 'once a day, in the morning')], default='soon', max_length=8)),
                ('due_at', models.DateTimeField(blank=True, null=True)),
                ('event', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='mailboxes', to='events.event')),
                ('person', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='mailboxes', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['event', 'person'],
                'constraints': [models.UniqueConstraint(fields=('event', 'person'), name='publishing_mailbox_once_per_event')],
            },
        ),
        migrations.CreateModel(
            name='Notice',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('key', models.CharField(max_length=60)),
                ('topic', models.CharField(max_length=20)),
                ('department', models.CharField(blank=True, max_length=16)),
                ('words', models.TextField()),
                ('path', models.CharField(max_length=300)),
                ('made_at', models.DateTimeField()),
                ('state', models.CharField(choices=[('waiting', 'waiting'), ('delivered', 'delivered'), ('given up', 'given up')], default='waiting', max_length=16)),
                ('sent_at', models.DateTimeField(blank=True, null=True)),
                ('mailbox', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='notices', to='publishing.mailbox')),
            ],
            options={
                'ordering': ['mailbox', 'pk'],
                'constraints': [models.UniqueConstraint(fields=('mailbox', 'key'), name='publishing_notice_once')],
            },
        ),
        migrations.CreateModel(
            name='Reading',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('rung_at', models.DateTimeField(blank=True, null=True)),
                ('turn', models.PositiveBigIntegerField(default=0)),
                ('lease_until', models.DateTimeField(blank=True, null=True)),
                ('failures', models.PositiveIntegerField(default=0)),
                ('quiet_until', models.DateTimeField(blank=True, null=True)),
                ('number', models.PositiveBigIntegerField(default=0)),
                ('deadline_told', models.DateTimeField(blank=True, null=True)),
                ('event', models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='reading', to='events.event')),
            ],
            options={
                'abstract': False,
            },
        ),
    ]
