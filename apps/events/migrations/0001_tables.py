import django.core.validators
import django.db.models.deletion
import django.db.models.functions.text
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    replaces = [('events', '0001_initial'), ('events', '0002_repeat'), ('events', '0003_outline'), ('events', '0004_zone_distances'), ('events', '0005_model_settings'), ('events', '0006_contact_on_site')]

    initial = True

    dependencies = [
        ('auth', '0012_alter_user_first_name_max_length'),
    ]

    operations = [
        migrations.CreateModel(
            name='Person',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('password', models.CharField(max_length=128, verbose_name='password')),
                ('last_login', models.DateTimeField(blank=True, null=True, verbose_name='last login')),
                ('is_superuser', models.BooleanField(default=False, help_text='Designates that this user has all permissions without explicitly assigning them.', verbose_name='superuser status')),
                ('email', models.EmailField(max_length=254, unique=True)),
                ('name', models.CharField(max_length=200)),
                ('is_active', models.BooleanField(default=True)),
                ('is_staff', models.BooleanField(default=False, help_text='may use the back door for administrators')),
                ('created_at', models.DateTimeField(auto_now_add=True)),
                ('groups', models.ManyToManyField(blank=True, help_text='The groups this user belongs to. A user will get all permissions granted to each of their groups.', related_name='user_set', related_query_name='user', to='auth.group', verbose_name='groups')),
                ('user_permissions', models.ManyToManyField(blank=True, help_text='Specific permissions for this user.', related_name='user_set', related_query_name='user', to='auth.permission', verbose_name='user permissions')),
            ],
            options={
                'constraints': [models.UniqueConstraint(django.db.models.functions.text.Lower('email'), name='events_person_email_any_case')],
            },
        ),
        migrations.CreateModel(
            name='Event',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('slug', models.SlugField(max_length=64, unique=True)),
                ('name', models.CharField(max_length=200)),
                ('site', models.CharField(blank=True, max_length=200)),
                ('timezone', models.CharField(max_length=64)),
                ('starts_on', models.DateField()),
                ('ends_on', models.DateField()),
                ('ruleset', models.CharField(max_length=40)),
                ('latitude_deg', models.FloatField(blank=True, null=True)),
                ('longitude_deg', models.FloatField(blank=True, null=True)),
                ('contact_on_site', models.CharField(blank=True, max_length=200)),
                ('registration_closes_at', models.DateTimeField(blank=True, null=True)),
                ('accepts_automatically', models.BooleanField(default=True)),
                ('surroundings', models.CharField(choices=[('open', 'open: everything is in sight'), ('suburban', 'suburban: houses between'), ('urban', 'urban: streets of high houses between'), ('dense', 'dense: towers between')], default='open', max_length=20)),
                ('fade_db', models.FloatField(default=20, help_text='allowed for below the weakest planned wanted signal')),
                ('revision', models.PositiveBigIntegerField(default=1)),
                ('version', models.PositiveIntegerField(default=1)),
                ('created_at', models.DateTimeField(auto_now_add=True)),
            ],
            options={
                'ordering': ['starts_on', 'slug'],
                'constraints': [models.CheckConstraint(condition=models.Q(('starts_on__lte', models.F('ends_on'))), name='events_event_days_in_order'), models.CheckConstraint(condition=models.Q(('fade_db__gte', 0), ('fade_db__lte', 60)), name='events_event_fade_plausible')],
            },
        ),
        migrations.CreateModel(
            name='Department',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('code', models.CharField(max_length=16, validators=[django.core.validators.RegexValidator('^[A-Za-z0-9][A-Za-z0-9-]*$', 'Use letters, digits and hyphens, a letter or digit first.')])),
                ('name', models.CharField(max_length=200)),
                ('confidential', models.BooleanField(default=False)),
                ('open_to_others', models.BooleanField(default=False, help_text='leads of other departments may see its name')),
                ('shares_time', models.BooleanField(default=False, help_text='its frequencies may serve others outside its hours')),
                ('carriers_numbered', models.PositiveIntegerField(default=0)),
                ('version', models.PositiveIntegerField(default=1)),
                ('event', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='departments', to='events.event')),
            ],
            options={
                'ordering': ['event', 'code'],
                'constraints': [models.UniqueConstraint(fields=('event', 'code'), name='events_department_code_once_per_event'), models.CheckConstraint(condition=models.Q(('confidential', True), ('open_to_others', True), _negated=True), name='events_department_confidential_or_open')],
            },
        ),
        migrations.CreateModel(
            name='Invitation',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('email', models.EmailField(max_length=254)),
                ('name', models.CharField(blank=True, max_length=200)),
                ('role', models.CharField(choices=[('coordinator', 'coordinator'), ('lead', 'lead'), ('desk', 'site desk'), ('observer', 'observer')], max_length=16)),
                ('key_digest', models.CharField(max_length=64, unique=True)),
                ('invited_by', models.CharField(max_length=254)),
                ('created_at', models.DateTimeField(auto_now_add=True)),
                ('expires_at', models.DateTimeField()),
                ('accepted_at', models.DateTimeField(blank=True, null=True)),
                ('withdrawn_at', models.DateTimeField(blank=True, null=True)),
                ('department', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.CASCADE, to='events.department')),
                ('event', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='invitations', to='events.event')),
            ],
            options={
                'ordering': ['event', '-created_at', 'pk'],
            },
        ),
        migrations.CreateModel(
            name='Membership',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('role', models.CharField(choices=[('coordinator', 'coordinator'), ('lead', 'lead'), ('desk', 'site desk'), ('observer', 'observer')], max_length=16)),
                ('version', models.PositiveIntegerField(default=1)),
                ('department', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.CASCADE, related_name='memberships', to='events.department')),
                ('event', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='memberships', to='events.event')),
                ('person', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='memberships', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['event', 'person', 'pk'],
                'constraints': [models.UniqueConstraint(fields=('person', 'department'), name='events_lead_once_per_department'), models.UniqueConstraint(condition=models.Q(('department', None)), fields=('event', 'person'), name='events_one_role_beside_leading'), models.CheckConstraint(condition=models.Q(models.Q(('department__isnull', False), ('role', 'lead')), models.Q(models.Q(('role', 'lead'), _negated=True), ('department', None)), _connector='OR'), name='events_lead_has_department')],
            },
        ),
        migrations.CreateModel(
            name='Token',
            fields=[
                ('digest', models.CharField(max_length=128, primary_key=True, serialize=False)),
                ('token_key', models.CharField(db_index=True, max_length=25)),
                ('created', models.DateTimeField(auto_now_add=True)),
                ('expiry', models.DateTimeField(blank=True, null=True)),
                ('writes', models.BooleanField(default=False)),
                ('label', models.CharField(blank=True, max_length=200)),
                ('last_used_at', models.DateTimeField(blank=True, null=True)),
                ('department', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.CASCADE, related_name='tokens', to='events.department')),
                ('event', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='tokens', to='events.event')),
                ('user', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='auth_token_set', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['-created', 'pk'],
            },
        ),
        migrations.CreateModel(
            name='Repeat',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('key', models.CharField(max_length=255)),
                ('digest', models.CharField(max_length=64)),
                ('holder', models.CharField(max_length=32)),
                ('lease_until', models.DateTimeField()),
                ('at', models.DateTimeField(auto_now_add=True)),
                ('status', models.PositiveSmallIntegerField(blank=True, null=True)),
                ('headers', models.JSONField(default=dict)),
                ('body', models.BinaryField(default=b'')),
                ('token', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='repeats', to=settings.KNOX_TOKEN_MODEL)),
            ],
            options={
                'ordering': ['token', 'pk'],
                'constraints': [models.UniqueConstraint(fields=('token', 'key'), name='events_repeat_key_once_per_token')],
            },
        ),
        migrations.CreateModel(
            name='Zone',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('code', models.CharField(max_length=32, validators=[django.core.validators.RegexValidator('^[A-Za-z0-9][A-Za-z0-9-]*$', 'Use letters, digits and hyphens, a letter or digit first.')])),
                ('name', models.CharField(max_length=200)),
                ('words', models.TextField(blank=True)),
                ('east_m', models.FloatField(default=0)),
                ('north_m', models.FloatField(default=0)),
                ('outline', models.JSONField(blank=True, default=list)),
                ('antenna_height_m', models.FloatField(default=3)),
                ('indoor', models.BooleanField(default=False)),
                ('walls', models.CharField(choices=[('traditional', 'traditional: brick, wood, plain glass'), ('thermally efficient', 'thermally efficient: metallised glass, foil')], default='traditional', max_length=20)),
                ('noise_rise_db', models.FloatField(default=0, help_text='by how much screens and lighting raise the noise of receivers there')),
                ('own_distance_m', models.FloatField(default=20, help_text="from the antennas to the zone's own devices, usually")),
                ('nearest_m', models.FloatField(help_text='how near they come; empty: a fifth of the usual', null=True)),
                ('farthest_m', models.FloatField(help_text="how far they go; empty: to the outline's farthest corner, else twice the usual", null=True)),
                ('rack_m', models.FloatField(default=3, help_text='from the antennas to the transmitters of in-ear monitors')),
                ('version', models.PositiveIntegerField(default=1)),
                ('event', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='zones', to='events.event')),
            ],
            options={
                'ordering': ['event', 'code'],
                'constraints': [models.UniqueConstraint(fields=('event', 'code'), name='events_zone_code_once_per_event'), models.CheckConstraint(condition=models.Q(('own_distance_m__gt', 0)), name='events_zone_own_distance_positive'), models.CheckConstraint(condition=models.Q(models.Q(('nearest_m', None), models.Q(('nearest_m__gt', 0), ('nearest_m__lte', models.F('own_distance_m'))), _connector='OR'), models.Q(('farthest_m', None), ('farthest_m__gte', models.F('own_distance_m')), _connector='OR'), ('rack_m__gt', 0)), name='events_zone_distances_in_order'), models.CheckConstraint(condition=models.Q(('noise_rise_db__gte', 0)), name='events_zone_noise_only_rises')],
            },
        ),
    ]
