# STB-S1 Two tests on one tube, one expired
# Behan 2013, https://clsjournal.ascls.org/content/26/3/158
story "glucose is late, potassium is not"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-3 kind=box
logger LG-1 every=5m in=B-3
request R-1 patient=P-7001 tube=TB260301 type=LIHEP-GEL tests=K,GLU
08:00Z collect TB260301 by=mira at=WARD-N on=H-09
08:00Z pack TB260301 in=B-3 by=mira at=WARD-N on=H-09
expect carrier B-3 holds 1
08:00Z reading LG-1 08:00Z..09:35Z c=21.0
08:30Z expect TB260301 holder mira
08:40Z expect TB260301/GLU within-limits used=40m
08:40Z expect TB260301 flag none
08:40Z expect TB260301 rack spin
09:05Z take B-3 from=mira by=oskar at=VAN on=H-07
expect TB260301 holder oskar link=by-box
09:35Z receive TB260301 by=lena at=LAB on=H-01
expect answer recorded
09:35Z expect TB260301/GLU past-limit reason=time used=95m limit=60m measured=95m
09:35Z expect TB260301/K within-limits reason=none used=95m limit=240m
09:35Z expect TB260301 past-limit reason=time
09:35Z expect TB260301 flag spin-but-hold kind=before
09:35Z expect TB260301 rack spin-hold tests=GLU
09:35Z expect TB260301 facts FlagRaised=1
