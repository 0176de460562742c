# TIM-S2 Autumn clock change between draw and receipt
# Ehlers 2018, https://search.isc.ac/inventory/10/2613461.htm
story "the wall clock runs backwards on the way"
rules fixture.yaml
zone Europe/Berlin
day 2026-10-25
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
request R-1 patient=P-7001 tube=TB260203 type=LIHEP-GEL tests=K
02:40+02:00 collect TB260203 by=mira at=WARD-N on=H-09
02:50+02:00 take TB260203 from=mira by=oskar at=VAN on=H-07
02:10+01:00 receive TB260203 by=lena at=LAB on=H-01
expect answer recorded
01:10Z expect TB260203/K within-limits used=30m assumed=30m from=00:40Z
01:10Z expect TB260203 doubt none
03:40+01:00 expect TB260203/K within-limits used=120m
