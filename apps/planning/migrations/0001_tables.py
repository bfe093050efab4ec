import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):

    replaces = [('planning', '0001_initial'), ('planning', '0002_inquiry')]

    initial = True

    dependencies = [
        ('events', '0001_tables'),
        ('registry', '0001_tables'),
    ]

    operations = [
        migrations.CreateModel(
            name='Run',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('number', models.PositiveIntegerField()),
                ('state', models.CharField(choices=[('queued', 'queued'), ('running', 'running'), ('done', 'done'), ('failed', 'failed'), ('cancelled', 'cancelled')], default='queued', max_length=12)),
                ('requested_by', models.CharField(max_length=254)),
                ('seconds', models.FloatField()),
                ('seed', models.PositiveIntegerField(default=0)),
                ('revision', models.PositiveBigIntegerField(help_text='of the event, when the snapshot was frozen')),
                ('attempt', models.PositiveIntegerField(default=0)),
                ('claimed_by', models.CharField(blank=True, max_length=200)),
                ('heartbeat_at', models.DateTimeField(blank=True, null=True)),
                ('lease_until', models.DateTimeField(blank=True, null=True)),
                ('rung_at', models.DateTimeField(blank=True, help_text='when a worker was last told of it', null=True)),
                ('cancel_requested', models.BooleanField(default=False)),
                ('stage', models.CharField(blank=True, max_length=60)),
                ('share', models.FloatField(default=0, help_text='of the work, 0 to 1')),
                ('carriers', models.PositiveIntegerField(default=0)),
                ('placed', models.PositiveIntegerField(blank=True, null=True)),
                ('left_out', models.PositiveIntegerField(blank=True, null=True)),
                ('penalty', models.FloatField(blank=True, null=True)),
                ('worst_load_db', models.FloatField(blank=True, null=True)),
                ('stopped', models.CharField(blank=True, max_length=200)),
                ('failure', models.TextField(blank=True)),
                ('adopted_at', models.DateTimeField(blank=True, null=True)),
                ('adopted_by', models.CharField(blank=True, max_length=254)),
                ('created_at', models.DateTimeField(auto_now_add=True)),
                ('started_at', models.DateTimeField(blank=True, null=True)),
                ('finished_at', models.DateTimeField(blank=True, null=True)),
                ('event', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='runs', to='events.event')),
            ],
            options={
                'ordering': ['event', '-number'],
                'constraints': [models.UniqueConstraint(fields=('event', 'number'), name='planning_run_number_once_per_event'), models.UniqueConstraint(condition=models.Q(('state__in', ('queued', 'running'))), fields=('event',), name='planning_one_active_run_per_event')],
            },
        ),
        migrations.CreateModel(
            name='LeftOut',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('blocked_by', models.JSONField()),
                ('carrier', models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='left_out', to='registry.carrier')),
                ('event', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='left_out', to='events.event')),
                ('run', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, to='planning.run')),
            ],
            options={
                'ordering': ['event', 'carrier__code'],
            },
        ),
        migrations.CreateModel(
            name='RunDocument',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('role', models.CharField(choices=[('problem', 'problem'), ('result', 'result'), ('versions', 'versions of the assignments when the snapshot was frozen')], max_length=10)),
                ('content', models.BinaryField()),
                ('run', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='documents', to='planning.run')),
            ],
            options={
                'constraints': [models.UniqueConstraint(fields=('run', 'role'), name='planning_document_once_per_run')],
            },
        ),
        migrations.CreateModel(
            name='Verdict',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('place', models.CharField(blank=True, max_length=64)),
                ('slot', models.CharField(blank=True, max_length=64)),
                ('digest', models.CharField(max_length=64)),
                ('breaches', models.JSONField()),
                ('counted_at', models.DateTimeField(auto_now_add=True)),
                ('event', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='verdicts', to='events.event')),
            ],
            options={
                'constraints': [models.UniqueConstraint(fields=('event', 'digest'), name='planning_verdict_once_per_digest')],
            },
        ),
        migrations.CreateModel(
            name='Acceptance',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('breach', models.CharField(max_length=64)),
                ('description', models.TextField()),
                ('accepted_by', models.CharField(max_length=254)),
                ('reason', models.TextField()),
                ('until', models.DateTimeField(blank=True, null=True)),
                ('accepted_at', models.DateTimeField(auto_now_add=True)),
                ('event', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='acceptances', to='events.event')),
            ],
            options={
                'ordering': ['event', 'pk'],
                'constraints': [models.UniqueConstraint(fields=('event', 'breach'), name='planning_acceptance_once_per_breach')],
            },
        ),
        migrations.CreateModel(
            name='Assignment',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('frequency_hz', models.PositiveBigIntegerField()),
                ('power_mw', models.FloatField(blank=True, null=True)),
                ('state', models.CharField(choices=[('proposed', 'proposed'), ('approved', 'approved'), ('locked', 'locked')], default='proposed', max_length=10)),
                ('by_hand', models.BooleanField(default=False)),
                ('reason', models.TextField(blank=True)),
                ('approved_by', models.CharField(blank=True, max_length=254)),
                ('approved_at', models.DateTimeField(blank=True, null=True)),
                ('locked_by', models.CharField(blank=True, max_length=254)),
                ('locked_at', models.DateTimeField(blank=True, null=True)),
                ('version', models.PositiveIntegerField(default=1)),
                ('carrier', models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, related_name='assignment', to='registry.carrier')),
                ('event', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='assignments', to='events.event')),
            ],
            options={
                'ordering': ['event', 'carrier__code'],
                'indexes': [models.Index(fields=['event', 'state'], name='planning_as_event_i_dd0725_idx')],
                'constraints': [models.CheckConstraint(condition=models.Q(('frequency_hz__gt', 0)), name='planning_assignment_frequency_positive'), models.CheckConstraint(condition=models.Q(('state', 'proposed'), ('approved_at__isnull', False), _connector='OR'), name='planning_agreed_by_somebody'), models.CheckConstraint(condition=models.Q(models.Q(('state', 'locked'), _negated=True), ('locked_at__isnull', False), _connector='OR'), name='planning_locked_by_somebody')],
            },
        ),
        migrations.CreateModel(
            name='Inquiry',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('number', models.PositiveIntegerField()),
                ('state', models.CharField(choices=[('queued', 'queued'), ('running', 'running'), ('done', 'done'), ('failed', 'failed'), ('cancelled', 'cancelled')], default='queued', max_length=12)),
                ('asked_by', models.CharField(max_length=254)),
                ('revision', models.PositiveBigIntegerField(help_text='of the event that it answers for')),
                ('attempt', models.PositiveIntegerField(default=0)),
                ('claimed_by', models.CharField(blank=True, max_length=200)),
                ('lease_until', models.DateTimeField(blank=True, null=True)),
                ('rung_at', models.DateTimeField(blank=True, help_text='when a worker was last told of it', null=True)),
                ('stop_asked', models.BooleanField(default=False)),
                ('tried', models.PositiveIntegerField(default=0, help_text='changes so far, of `total`')),
                ('total', models.PositiveIntegerField(blank=True, null=True)),
                ('left_out', models.JSONField(default=list, help_text='whom it asks for, by code')),
                ('has_room', models.JSONField(blank=True, help_text='those of them with room as the plan stands; null before that was looked at', null=True)),
                ('cures', models.JSONField(default=list, help_text='[{words, places: [code]}]')),
                ('failure', models.TextField(blank=True)),
                ('created_at', models.DateTimeField(auto_now_add=True)),
                ('finished_at', models.DateTimeField(blank=True, null=True)),
                ('event', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='inquiries', to='events.event')),
            ],
            options={
                'verbose_name_plural': 'inquiries',
                'ordering': ['event', '-number'],
                'constraints': [models.UniqueConstraint(fields=('event', 'number'), name='planning_inquiry_number_once_per_event'), models.UniqueConstraint(condition=models.Q(('state__in', ('queued', 'running'))), fields=('event',), name='planning_one_active_inquiry_per_event')],
            },
        ),
    ]
