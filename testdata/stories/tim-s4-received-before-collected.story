# TIM-S4 Received before collected
# Ehlers 2018, https://search.isc.ac/inventory/10/2613461.htm
story "a typed collection time after the receipt"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
request R-1 patient=P-7001 tube=TB260205 type=LIHEP-GEL tests=K
09:05Z take TB260205 from=mira by=oskar at=VAN on=H-07
09:12Z receive TB260205 by=lena at=LAB on=H-01
09:30Z collect TB260205 by=mira at=WARD-N on=H-09 typed=09:30Z how=typed id=c-1 sent=09:40Z
expect answer recorded
09:41Z expect TB260205 doubt received-before-collected
09:41Z expect TB260205/K cannot-say reason=time-conflict
09:41Z expect TB260205 rack spin
# mira corrects her own entry
09:45Z void c-1 tube=TB260205 by=mira on=H-09 reason=wrong-time
expect answer recorded
09:00Z collect TB260205 by=mira at=WARD-N on=H-09 typed=09:00Z how=typed sent=09:46Z
09:50Z expect TB260205/K within-limits used=50m
09:50Z expect TB260205 doubt none
