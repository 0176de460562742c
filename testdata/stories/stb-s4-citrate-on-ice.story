# STB-S4 Citrate on ice
# Bohm 2006, https://brd.nci.nih.gov/brd/paper/blood-coagul-fibrinolysis/2006/cold-storage-of-citrated-whole-blood-induces-drastic-time-dependent/10735
story "a bleeding work-up sent cold"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-4 kind=box
logger LG-2 every=5m in=B-4
request R-1 patient=P-7003 tube=TB260304 type=CITRATE tests=FVIII,VWF
08:00Z collect TB260304 by=mira at=WARD-N on=H-09
08:00Z pack TB260304 in=B-4 by=mira at=WARD-N on=H-09
08:00Z reading LG-2 08:00Z..11:00Z c=2.0
08:30Z take B-4 from=mira by=oskar at=VAN on=H-07
# told at once, not at the end of the trip
08:45Z expect TB260304/FVIII past-limit reason=cold
08:45Z expect TB260304/VWF past-limit reason=cold
11:00Z receive TB260304 by=lena at=LAB on=H-01
11:00Z expect TB260304/FVIII past-limit reason=cold limit=240m
11:00Z expect TB260304/VWF past-limit reason=cold limit=240m
11:00Z expect TB260304 rack nothing-left
11:00Z expect TB260304 flag ask-new-sample kind=before
11:02Z rack TB260304 in=R-2 by=lena at=LAB on=H-01
expect answer refused nothing-left
