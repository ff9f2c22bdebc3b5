// SPDX-License-Identifier: GPL-2.0 OR MIT
/*
 * w1_bench: a 1-wire bus with 12-bit thermometers on it, bit by bit, under the kernel's own w1 core and w1_therm driver.
 *
 * Every slave is a state machine of its own; the bus is the wired AND of them. Commands and scratchpad are those of the
 * data sheets of such thermometers: 0x44 convert, 0xbe read, 0x4e write, 0xb4 power; 0xf0 search, 0x55 match, 0xcc skip, 0x33 read.
 * Parameters: count: slaves 28-000000000001 and on; convert_ms: how long a conversion takes. In debugfs, w1_bench/N/:
 *   millideg  what it would measure now        present       0: unplugged
 *   spoil     1: a bit is flipped on the wire  deaf          1: never converts (85 C after power-up, else its old value)
 */
#include <linux/debugfs.h>
#include <linux/jiffies.h>
#include <linux/module.h>
#include <linux/w1.h>

#define MOST 16

enum stage { IDLE, ROM, MATCH, SEARCH_BIT, SEARCH_NOT, SEARCH_PICK, READ_ROM, FUNCTION, SEND, RECEIVE, CONVERTING, POWER };

struct slave {
	enum stage stage;
	unsigned int at;	/* bit of the byte or of the number that is next */
	u8 byte;
	u8 rom[8], pad[9];
	unsigned long done;	/* jiffies at which the conversion is over */
	bool powered;		/* was there at the last reset */
	u32 millideg, present, spoil, deaf;
};

static struct slave slaves[MOST];
static int count = 8;
module_param(count, int, 0444);
static uint convert_ms = 750;
module_param(convert_ms, uint, 0644);
static struct dentry *folder;

static u8 checksum(const u8 *bytes, int length)
{
	u8 sum = 0;
	int bit;

	for (; length--; bytes++)
		for (sum ^= *bytes, bit = 0; bit < 8; bit++)
			sum = sum & 1 ? sum >> 1 ^ 0x8c : sum >> 1;
	return sum;
}

static bool bit_of(const u8 *bytes, unsigned int at)
{
	return bytes[at / 8] >> (at % 8) & 1;
}

static void put_bit(u8 *bytes, unsigned int at, bool level)
{
	bytes[at / 8] = (bytes[at / 8] & ~(1 << at % 8)) | level << at % 8;
}

static void go(struct slave *s, enum stage stage)
{
	s->stage = stage;
	s->at = 0;
	s->byte = 0;
}

static void seal(struct slave *s)
{
	s->pad[8] = checksum(s->pad, 8);
}

/* The register counts sixteenths of a degree. */
static void measure(struct slave *s, s32 millideg)
{
	s16 sixteenths = DIV_ROUND_CLOSEST(millideg * 2, 125);

	s->pad[0] = sixteenths & 0xff;
	s->pad[1] = sixteenths >> 8 & 0xff;
	seal(s);
}

static void power_up(struct slave *s)
{
	static const u8 fresh[] = { 0x50, 0x05, 0x4b, 0x46, 0x7f, 0xff, 0x0c, 0x10 };

	memcpy(s->pad, fresh, sizeof(fresh));
	seal(s);
	go(s, IDLE);
}

static void convert(struct slave *s)
{
	if (!s->deaf)
		measure(s, (s32)s->millideg);
	s->done = jiffies + msecs_to_jiffies(convert_ms);
	go(s, CONVERTING);
}

static void obey(struct slave *s, u8 command)
{
	bool rom = s->stage == ROM;

	if (rom && command == 0x55)
		go(s, MATCH);
	else if (rom && command == 0xf0)
		go(s, SEARCH_BIT);
	else if (rom && command == 0x33)
		go(s, READ_ROM);
	else if (rom && command == 0xcc)
		go(s, FUNCTION);
	else if (!rom && command == 0x44)
		convert(s);
	else if (!rom && command == 0xbe)
		go(s, SEND);
	else if (!rom && command == 0x4e)
		go(s, RECEIVE);
	else if (!rom && command == 0xb4)
		go(s, POWER);
	else
		go(s, IDLE);
}

/* The level that a slave leaves the bus at in this slot; false pulls it low. */
static bool leaves(const struct slave *s)
{
	switch (s->stage) {
	case SEARCH_BIT:
	case READ_ROM:
		return s->at >= 64 || bit_of(s->rom, s->at);
	case SEARCH_NOT:
		return !bit_of(s->rom, s->at);
	case SEND:
		return s->at >= 72 || bit_of(s->pad, s->at) != (s->spoil && s->at == 2);
	case CONVERTING:
		return time_after_eq(jiffies, s->done);
	default:
		return true;
	}
}

static void pick(struct slave *s, bool level, enum stage then)
{
	if (bit_of(s->rom, s->at) != level) {
		go(s, IDLE);
	} else if (++s->at == 64) {
		go(s, then == MATCH ? FUNCTION : IDLE);
	} else {
		s->stage = then;
	}
}

static void hears(struct slave *s, bool level)
{
	switch (s->stage) {
	case ROM:
	case FUNCTION:
		put_bit(&s->byte, s->at, level);
		if (++s->at == 8)
			obey(s, s->byte);
		break;
	case MATCH:
		pick(s, level, MATCH);
		break;
	case SEARCH_BIT:
		s->stage = SEARCH_NOT;
		break;
	case SEARCH_NOT:
		s->stage = SEARCH_PICK;
		break;
	case SEARCH_PICK:
		pick(s, level, SEARCH_BIT);
		break;
	case RECEIVE:
		put_bit(s->pad, 16 + s->at, level);
		if (++s->at == 24) {
			s->pad[4] = 0x7f;	/* 12 bits, whatever is asked for */
			seal(s);
			go(s, IDLE);
		}
		break;
	case READ_ROM:
	case SEND:
		s->at++;
		break;
	default:
		break;
	}
}

static u8 bench_touch(void *unused, u8 wanted)
{
	bool level = wanted & 1;
	int i;

	for (i = 0; i < count; i++)
		level &= !slaves[i].present || leaves(&slaves[i]);
	for (i = 0; i < count; i++)
		if (slaves[i].present)
			hears(&slaves[i], level);
	return level;
}

static u8 bench_reset(void *unused)
{
	u8 nobody = 1;
	int i;

	for (i = 0; i < count; i++) {
		if (slaves[i].present && !slaves[i].powered)
			power_up(&slaves[i]);
		slaves[i].powered = slaves[i].present;
		if (!slaves[i].present)
			continue;
		go(&slaves[i], ROM);
		nobody = 0;
	}
	return nobody;
}

static struct w1_bus_master master = { .touch_bit = bench_touch, .reset_bus = bench_reset };

static void plug(struct slave *s, int number)
{
	char name[8];
	struct dentry *own;

	s->rom[0] = 0x28;
	s->rom[1] = number;
	s->rom[7] = checksum(s->rom, 7);
	s->present = 1;
	s->millideg = 20000;
	snprintf(name, sizeof(name), "%d", number);
	own = debugfs_create_dir(name, folder);
	debugfs_create_u32("millideg", 0600, own, &s->millideg);
	debugfs_create_u32("present", 0600, own, &s->present);
	debugfs_create_u32("spoil", 0600, own, &s->spoil);
	debugfs_create_u32("deaf", 0600, own, &s->deaf);
}

static int __init bench_init(void)
{
	int i, wrong;

	count = clamp(count, 1, MOST);
	folder = debugfs_create_dir("w1_bench", NULL);
	for (i = 0; i < count; i++)
		plug(&slaves[i], i + 1);
	wrong = w1_add_master_device(&master);
	if (wrong)
		debugfs_remove_recursive(folder);
	return wrong;
}

static void __exit bench_exit(void)
{
	w1_remove_master_device(&master);
	debugfs_remove_recursive(folder);
}

module_init(bench_init);
module_exit(bench_exit);
MODULE_LICENSE("Dual MIT/GPL");
MODULE_DESCRIPTION("a 1-wire bus with thermometers, for tests");
