"""Recordings, free parts, chapters, captions, attachments; where each member is; a course goes by the clock."""

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('courses', '0002_publish_by_the_clock'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='MediaFile',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('storage_key', models.CharField(max_length=100, unique=True)),
                ('sha256', models.CharField(max_length=64)),
                ('size_bytes', models.PositiveBigIntegerField()),
                ('original_name', models.CharField(max_length=255)),
                ('container', models.CharField(max_length=10)),
                ('has_picture', models.BooleanField()),
                ('content_type', models.CharField(max_length=40)),
                ('length_s', models.FloatField()),
                ('kept_at', models.DateTimeField()),
            ],
        ),
        migrations.CreateModel(
            name='Progress',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('position_s', models.FloatField(default=0.0)),
                ('finished_at', models.DateTimeField(null=True)),
                ('seen_at', models.DateTimeField()),
            ],
        ),
        migrations.RemoveField(
            model_name='course',
            name='is_published',
        ),
        migrations.AddField(
            model_name='demovariant',
            name='is_exaggerated',
            field=models.BooleanField(default=False),
        ),
        migrations.AddField(
            model_name='lesson',
            name='chapters',
            field=models.TextField(blank=True),
        ),
        migrations.AddField(
            model_name='lesson',
            name='free_from_s',
            field=models.FloatField(null=True),
        ),
        migrations.AddField(
            model_name='lesson',
            name='free_until_s',
            field=models.FloatField(null=True),
        ),
        migrations.AddField(
            model_name='lesson',
            name='is_for_members',
            field=models.BooleanField(default=False),
        ),
        migrations.AddField(
            model_name='lesson',
            name='is_kept_back',
            field=models.BooleanField(default=False),
        ),
        migrations.AlterField(
            model_name='lesson',
            name='text',
            field=models.TextField(blank=True),
        ),
        migrations.CreateModel(
            name='Attachment',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('title', models.CharField(max_length=120)),
                ('storage_key', models.CharField(max_length=100, unique=True)),
                ('sha256', models.CharField(max_length=64)),
                ('size_bytes', models.PositiveBigIntegerField()),
                ('original_name', models.CharField(max_length=255)),
                ('content_type', models.CharField(max_length=40)),
                ('kept_at', models.DateTimeField()),
                ('lesson', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='attachments', to='courses.lesson')),
            ],
            options={
                'ordering': ['pk'],
            },
        ),
        migrations.CreateModel(
            name='Captions',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('language', models.CharField(max_length=35)),
                ('text', models.TextField()),
                ('lesson', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='captions', to='courses.lesson')),
            ],
            options={
                'ordering': ['pk'],
            },
        ),
        migrations.CreateModel(
            name='CaptionLine',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('start_ms', models.PositiveIntegerField()),
                ('end_ms', models.PositiveIntegerField()),
                ('words', models.TextField()),
                ('captions', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='lines', to='courses.captions')),
            ],
            options={
                'ordering': ['start_ms', 'pk'],
            },
        ),
        migrations.AddField(
            model_name='lesson',
            name='excerpt',
            field=models.OneToOneField(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='courses.mediafile'),
        ),
        migrations.AddField(
            model_name='lesson',
            name='recording',
            field=models.OneToOneField(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='courses.mediafile'),
        ),
        migrations.AddConstraint(
            model_name='lesson',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('free_from_s', None), ('free_until_s', None)), models.Q(('free_from_s__gte', 0), ('free_until_s__gt', models.F('free_from_s'))), _connector='OR'), name='free_part_has_a_length'),
        ),
        migrations.AddField(
            model_name='progress',
            name='lesson',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to='courses.lesson'),
        ),
        migrations.AddField(
            model_name='progress',
            name='member',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddConstraint(
            model_name='captions',
            constraint=models.UniqueConstraint(fields=('lesson', 'language'), name='one_captions_a_language'),
        ),
        migrations.AddConstraint(
            model_name='progress',
            constraint=models.UniqueConstraint(fields=('member', 'lesson'), name='one_progress_a_lesson'),
        ),
    ]
