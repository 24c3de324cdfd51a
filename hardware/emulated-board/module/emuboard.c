// SPDX-License-Identifier: GPL-2.0-only
/*
 * A measuring board that is not there: converters behind a real gpio chip and a
 * real I2C adapter, so that unmodified programs can be tried on a real kernel.
 *
 * gpio chip "emuboard" (find it by this label); with own = 6 and bank = 8 it has
 *
 *	line 2i, 2i+1    i from 0 to 5: clock and data of a converter with a clock line
 *	                 of its own
 *	line 12          clock line that the whole bank shares
 *	line 13+j        j from 0 to 7: data of the bank's converters
 *	line 21+k        k from 0 to 15: valve of converter k's tube
 *	line 37          heartbeat, whose pulses keep the valves powered for 0.8 s
 *	line 38          alarm
 *
 * The converters behave as the HX711's data sheet says (AVIA Semiconductor, no
 * revision number): data low means ready; 24 bits, the highest first, change at
 * the clock's rising edge; pulses 25, 26, 27 choose gain 128, 32, 64 for the next
 * conversion; a clock high for 60 us powers down; 50 ms (400 ms at 10 SPS) settle
 * after power-up and after a change of gain. A conversion that ends while an
 * earlier one is shifted out takes its place, as on the chip.
 *
 * I2C adapter "emuboard": a multiplexer like the TCA9548A at 0x70 and behind its
 * channels 0 and 1 a converter like the NAU7802 at 0x2A. If both channels are
 * on, both converters answer and their ones and zeros are mixed as on a real
 * bus (a zero wins); if none is, nobody answers. A read of the result's three bytes
 * in more than one transfer may get bytes of two conversions.
 *
 * Every conversion's value tells which converter made it, how full its tube is,
 * which conversion it is, and a check that no shift keeps:
 *
 *	bits 23-20  converter: own ones from 0, then the bank, then (14, 15) I2C
 *	bits 19-11  level: one more every (fill + converter) / 16 nominal periods while
 *	            its valve is powered
 *	bits 10-5   check, see check_of; it looks like white noise
 *	bits 4-0    number of the conversion, one more each period
 *
 * so that whoever gets a value can tell whether it is right. The number runs with
 * time, whether or not anybody reads.
 *
 * /sys/kernel/debug/emuboard/counters tells what really happened: a line for each
 * clock line and converter, for the outputs and for the I2C bus, each a word and
 * name=value pairs.
 */
#include <linux/bitops.h>
#include <linux/debugfs.h>
#include <linux/delay.h>
#include <linux/gpio/driver.h>
#include <linux/hrtimer.h>
#include <linux/i2c.h>
#include <linux/irq.h>
#include <linux/irqdomain.h>
#include <linux/ktime.h>
#include <linux/math64.h>
#include <linux/minmax.h>
#include <linux/module.h>
#include <linux/mutex.h>
#include <linux/pinctrl/pinconf-generic.h>
#include <linux/platform_device.h>
#include <linux/seq_file.h>
#include <linux/slab.h>

#define NAME		"emuboard"
#define MAX_OWN		6
#define MAX_BANK	8
#define NUM_I2C		2
#define FIRST_I2C_ID	(MAX_OWN + MAX_BANK)
#define NUM_VALVES	(FIRST_I2C_ID + NUM_I2C)
#define HEARTBEAT	NUM_VALVES	/* index of an output */
#define ALARM		(NUM_VALVES + 1)
#define NUM_OUTPUTS	(NUM_VALVES + 2)
#define HOLD_NS		(800 * NSEC_PER_MSEC)
#define MAX_LEVEL	511
#define POWER_DOWN_NS	(60 * NSEC_PER_USEC)

static unsigned int own = 6;
module_param(own, uint, 0444);
MODULE_PARM_DESC(own, "converters with a clock line of their own, 0 to 6 (default 6)");

static unsigned int bank = 8;
module_param(bank, uint, 0444);
MODULE_PARM_DESC(bank, "converters on the shared clock line, 0 to 8 (default 8)");

static unsigned int sps = 80;
module_param(sps, uint, 0444);
MODULE_PARM_DESC(sps, "nominal conversions a second, 10 or 80 (default 80)");

static unsigned int spread_ppm = 2000;
module_param(spread_ppm, uint, 0444);
MODULE_PARM_DESC(spread_ppm, "each converter is slower than the one before it by this, 0 to 10000 ppm (default 2000)");

static unsigned int fill = 64;
module_param(fill, uint, 0444);
MODULE_PARM_DESC(fill, "sixteenths of a nominal period for one step of converter 0's level while its valve is powered, 16 to 10000; one more for each converter after it (default 64)");

/* Faults; they may be changed at any time, and 0 means none. */

static unsigned int high_stall_every;
module_param(high_stall_every, uint, 0644);
MODULE_PARM_DESC(high_stall_every, "hold up every n-th read of a clock line while its clock is high");

static unsigned int high_stall_us = 60;
module_param(high_stall_us, uint, 0644);
MODULE_PARM_DESC(high_stall_us, "mean of those stalls, us, at most 500; they are spread evenly from 0 to twice this (default 60)");

static unsigned int low_stall_every;
module_param(low_stall_every, uint, 0644);
MODULE_PARM_DESC(low_stall_every, "hold up every n-th read of a clock line while its clock is low");

static unsigned int low_stall_us = 12000;
module_param(low_stall_us, uint, 0644);
MODULE_PARM_DESC(low_stall_us, "mean of those stalls, us, at most 100000; spread as above (default 12000: about one conversion at 80 SPS)");

static unsigned int slip_every;
module_param(slip_every, uint, 0644);
MODULE_PARM_DESC(slip_every, "offer every n-th conversion with its bits slipped by one: wrong in a way that no driver can see");

static int mute = -1;
module_param(mute, int, 0644);
MODULE_PARM_DESC(mute, "the converter of this number on the gpio chip is never ready; -1: none (default)");

static unsigned int nack_every;
module_param(nack_every, uint, 0644);
MODULE_PARM_DESC(nack_every, "answer every n-th I2C transfer with no acknowledge");

static unsigned int brown_out;
module_param(brown_out, uint, 0644);
MODULE_PARM_DESC(brown_out, "write 1: the I2C converters lose power and registers before the next transfer (then 0 again)");

/* ---- the pattern ---- */

/* The check of converter, level and number, put together. */
static u32 check_of(u32 of)
{
	u32 x = (of + 1) * 0x9E3779B1u;

	x ^= x >> 15;
	x *= 0x85EBCA6Bu;
	return x >> 26;
}

static u32 value_of(unsigned int id, u32 level, u32 number)
{
	number &= 0x1F;
	return id << 20 | level << 11 | check_of(id << 14 | level << 5 | number) << 5 | number;
}

static u32 slipped(u32 value)
{
	return (value << 1 | 1) & 0xFFFFFF;
}

/* ---- converters on the gpio chip ---- */

struct board;
struct clock_line;

/* The tube on a converter; under the converter's lock. */
struct tube {
	u32 level;
	u64 seen_ns;		/* it was last moved on */
	u64 toward_ns;		/* time with fuel toward the next step */
	u64 unfed;		/* conversions with its valve's pin high, but no heartbeat */
};

struct converter {
	struct clock_line *clock;
	struct hrtimer timer;
	unsigned int id;
	unsigned int line;		/* of its data */
	unsigned int irq_type;
	bool irq_on;

	/* Under the clock line's lock. */
	u64 period_ns;
	u64 due_ns;			/* its conversion ends */
	u32 number;			/* conversions that have ended */
	u32 value;
	struct tube tube;
	unsigned int pulses;		/* since the last one ended */
	unsigned int gain, next_gain;
	bool has_value;			/* one has ended since power-up */
	bool slips;			/* the value is offered slipped */
	bool data;			/* level of the data line */

	u64 whole, spoiled, slips_read;
};

struct clock_line {
	struct board *board;
	raw_spinlock_t lock;
	struct converter *converters;
	unsigned int n;
	unsigned int line;

	/* Under the lock. */
	bool output, high, off;
	u64 high_ns;			/* since when */
	u64 reads, power_downs, high_stalls, low_stalls;
	unsigned int high_stall_at, low_stall_at;	/* pulse of this read, 0: none */
	u32 random;
};

struct i2c_converter {
	unsigned int id;
	u8 reg[32];
	bool converting;
	u64 pud_ns, due_ns, period_ns, calibrated_ns;
	u32 number, value;
	struct tube tube;
	bool slips;
	u8 pointer;
	u64 reads, slips_read, power_ups;
};

struct board {
	struct gpio_chip gpio;
	struct clock_line clocks[MAX_OWN + 1];
	unsigned int n_clocks;
	struct converter converters[MAX_OWN + MAX_BANK];
	unsigned int n_converters;

	raw_spinlock_t output_lock;	/* for the outputs */
	bool output[NUM_OUTPUTS], level[NUM_OUTPUTS];
	u64 beat_ns, beats, alarms;

	struct i2c_adapter adapter;
	struct mutex i2c_lock;		/* for what follows */
	struct i2c_converter i2c[NUM_I2C];
	u8 mux;
	u64 transfers, nacks;
};

static u64 settle_ns(void)
{
	return (sps == 80 ? 50 : 400) * (u64)NSEC_PER_MSEC;
}

static u32 next_random(struct clock_line *c)
{
	c->random = c->random * 1664525u + 1013904223u;
	return c->random >> 8;
}

/* A random whole number from 0 up to and without n, n < 2^24. */
static u32 random_below(struct clock_line *c, u32 n)
{
	return (u64)next_random(c) * n >> 24;
}

/* Moves a tube on to now. */
static void fill_tube(struct board *b, struct tube *t, unsigned int id, u64 now)
{
	u64 step_ns = div_u64((fill + id) * (u64)NSEC_PER_SEC, 16 * sps);
	u64 since_ns = now - t->seen_ns;
	unsigned long flags;
	bool open, fed;

	t->seen_ns = now;
	raw_spin_lock_irqsave(&b->output_lock, flags);
	open = b->level[id];
	fed = b->beats && now - b->beat_ns < HOLD_NS;
	raw_spin_unlock_irqrestore(&b->output_lock, flags);
	if (!open)
		return;
	if (!fed) {
		t->unfed++;
		return;
	}
	for (t->toward_ns += since_ns; t->toward_ns >= step_ns; t->toward_ns -= step_ns)
		t->level = min(t->level + 1, (u32)MAX_LEVEL);
}

/* Gives the edge to whoever asked for it; without the lock. */
static void tell_edge(struct converter *k, bool rising)
{
	unsigned int want = rising ? IRQ_TYPE_EDGE_RISING : IRQ_TYPE_EDGE_FALLING;
	unsigned long flags;

	if (!READ_ONCE(k->irq_on) || !(READ_ONCE(k->irq_type) & want))
		return;
	local_irq_save(flags);
	generic_handle_domain_irq(k->clock->board->gpio.irq.domain, k->line);
	local_irq_restore(flags);
}

static void start_conversion(struct converter *k, u64 now, u64 after_ns)
{
	k->due_ns = now + after_ns;
	hrtimer_start(&k->timer, ns_to_ktime(k->due_ns), HRTIMER_MODE_ABS_HARD);
}

/* Powers down once the clock has been high for long enough; under the lock. */
static void look_at_power(struct clock_line *c, u64 now)
{
	unsigned int i;

	if (c->off || !c->high || now - c->high_ns < POWER_DOWN_NS)
		return;
	c->off = true;
	c->power_downs++;
	for (i = 0; i < c->n; i++) {
		struct converter *k = &c->converters[i];

		if (k->pulses > 1 && k->pulses < 25)
			k->spoiled++;
		k->pulses = 0;
		k->has_value = false;
		k->data = true;
	}
}

static enum hrtimer_restart conversion_ends(struct hrtimer *timer)
{
	struct converter *k = container_of(timer, struct converter, timer);
	struct clock_line *c = k->clock;
	enum hrtimer_restart again = HRTIMER_NORESTART;
	unsigned long flags;
	bool fell = false;
	u64 now, periods;

	raw_spin_lock_irqsave(&c->lock, flags);
	now = ktime_get_ns();
	look_at_power(c, now);
	/* Not due: it was powered down and up meanwhile and is queued anew. */
	if (c->off || now < k->due_ns)
		goto out;
	periods = hrtimer_forward_now(timer, ns_to_ktime(k->period_ns));
	k->due_ns = ktime_to_ns(hrtimer_get_expires(timer));
	again = HRTIMER_RESTART;
	k->number += periods;
	fill_tube(c->board, &k->tube, k->id, now);
	if (k->pulses && k->pulses < 25)
		k->spoiled++;
	k->pulses = 0;
	if (k->gain != k->next_gain) {
		/* A new gain: nothing is ready until it has settled. */
		k->gain = k->next_gain;
		k->has_value = false;
		k->data = true;
		hrtimer_set_expires(timer, ns_to_ktime(now + settle_ns()));
		k->due_ns = now + settle_ns();
		goto out;
	}
	if (READ_ONCE(mute) == (int)k->id) {
		k->has_value = false;
		k->data = true;
		goto out;
	}
	k->value = value_of(k->id, k->tube.level, k->number);
	k->slips = slip_every && k->number % slip_every == 0;
	if (k->slips)
		k->value = slipped(k->value);
	k->has_value = true;
	fell = k->data;
	k->data = false;
out:
	raw_spin_unlock_irqrestore(&c->lock, flags);
	if (fell)
		tell_edge(k, false);
	return again;
}

/* One pulse's rising edge at one converter; under the lock. */
static void pulse(struct converter *k)
{
	k->pulses++;
	if (k->pulses <= 24)
		k->data = !k->has_value || (k->value >> (24 - k->pulses) & 1);
	else
		k->data = true;
	switch (k->pulses) {
	case 24:
		if (!k->has_value)
			break;
		k->whole++;
		if (k->slips)
			k->slips_read++;
		break;
	case 25:
		k->next_gain = 128;
		break;
	case 26:
		k->next_gain = 32;
		break;
	case 27:
		k->next_gain = 64;
		break;
	}
}

/* Decides, at a read's first pulse, where it is to be held up; under the lock. */
static void plan_stalls(struct clock_line *c)
{
	unsigned int high = READ_ONCE(high_stall_every), low = READ_ONCE(low_stall_every);

	c->reads++;
	c->high_stall_at = high && c->reads % high == 0 ? 1 + random_below(c, 25) : 0;
	c->low_stall_at = low && c->reads % low == low / 2 ? 1 + random_below(c, 25) : 0;
}

static void set_clock(struct clock_line *c, bool high)
{
	unsigned long fell = 0, rose = 0, flags;
	unsigned int i, stall_us = 0;
	u64 now;

	raw_spin_lock_irqsave(&c->lock, flags);
	now = ktime_get_ns();
	look_at_power(c, now);
	if (high == c->high) {
		raw_spin_unlock_irqrestore(&c->lock, flags);
		return;
	}
	c->high = high;
	if (high) {
		c->high_ns = now;
		if (c->converters[0].pulses == 0 && c->converters[0].has_value)
			plan_stalls(c);
		for (i = 0; i < c->n; i++) {
			struct converter *k = &c->converters[i];
			bool was = k->data;

			pulse(k);
			if (was && !k->data)
				__set_bit(i, &fell);
			if (!was && k->data)
				__set_bit(i, &rose);
		}
		if (c->high_stall_at && c->high_stall_at == c->converters[0].pulses) {
			stall_us = random_below(c, 2 * min(high_stall_us, 500u));
			c->high_stall_at = 0;
			c->high_stalls++;
		}
	} else {
		if (c->off) {
			c->off = false;
			for (i = 0; i < c->n; i++) {
				struct converter *k = &c->converters[i];

				k->gain = 128;
				k->next_gain = 128;
				k->pulses = 0;
				start_conversion(k, now, settle_ns());
			}
		}
		if (c->low_stall_at && c->low_stall_at == c->converters[0].pulses) {
			stall_us = random_below(c, 2 * min(low_stall_us, 100000u));
			c->low_stall_at = 0;
			c->low_stalls++;
		}
	}
	raw_spin_unlock_irqrestore(&c->lock, flags);
	for_each_set_bit(i, &fell, c->n)
		tell_edge(&c->converters[i], false);
	for_each_set_bit(i, &rose, c->n)
		tell_edge(&c->converters[i], true);
	if (!stall_us)
		return;
	if (high)
		udelay(stall_us);	/* exact: the limits are 50 and 60 us */
	else
		fsleep(stall_us);
}

/* ---- gpio chip ---- */

static struct clock_line *clock_at(struct board *b, unsigned int line)
{
	if (line < 2 * own)
		return line % 2 ? NULL : &b->clocks[line / 2];
	return line == 2 * own && bank ? &b->clocks[own] : NULL;
}

static struct converter *data_at(struct board *b, unsigned int line)
{
	if (line < 2 * own)
		return line % 2 ? &b->converters[line / 2] : NULL;
	if (line == 2 * own || line >= b->n_clocks + b->n_converters)
		return NULL;
	return &b->converters[own + line - 2 * own - 1];
}

/* The index of an output, or -1. */
static int output_at(struct board *b, unsigned int line)
{
	unsigned int first = b->n_clocks + b->n_converters;

	return line < first ? -1 : (int)(line - first);
}

static void set_output(struct board *b, unsigned int at, bool level)
{
	unsigned long flags;

	raw_spin_lock_irqsave(&b->output_lock, flags);
	if (level && !b->level[at]) {
		if (at == HEARTBEAT) {
			b->beats++;
			b->beat_ns = ktime_get_ns();
		} else if (at == ALARM) {
			b->alarms++;
		}
	}
	b->level[at] = level;
	raw_spin_unlock_irqrestore(&b->output_lock, flags);
}

static int emu_get_direction(struct gpio_chip *gc, unsigned int line)
{
	struct board *b = gpiochip_get_data(gc);
	struct clock_line *c = clock_at(b, line);
	int at = output_at(b, line);
	bool out = c ? READ_ONCE(c->output) : at >= 0 && READ_ONCE(b->output[at]);

	return out ? GPIO_LINE_DIRECTION_OUT : GPIO_LINE_DIRECTION_IN;
}

static int emu_direction_input(struct gpio_chip *gc, unsigned int line)
{
	struct board *b = gpiochip_get_data(gc);
	struct clock_line *c = clock_at(b, line);
	int at = output_at(b, line);

	if (c && READ_ONCE(c->output)) {
		/* Nobody drives it any more: the pull-up does. */
		WRITE_ONCE(c->output, false);
		set_clock(c, true);
	}
	if (at >= 0) {
		/* The bench's pull-down does. */
		WRITE_ONCE(b->output[at], false);
		set_output(b, at, false);
	}
	return 0;
}

static void emu_set(struct gpio_chip *gc, unsigned int line, int value)
{
	struct board *b = gpiochip_get_data(gc);
	struct clock_line *c = clock_at(b, line);
	int at = output_at(b, line);

	if (c)
		set_clock(c, value);
	else if (at >= 0)
		set_output(b, at, value);
}

static int emu_direction_output(struct gpio_chip *gc, unsigned int line, int value)
{
	struct board *b = gpiochip_get_data(gc);
	struct clock_line *c = clock_at(b, line);
	int at = output_at(b, line);

	if (c)
		WRITE_ONCE(c->output, true);
	else if (at >= 0)
		WRITE_ONCE(b->output[at], true);
	else
		return -EINVAL;		/* the converter drives it */
	emu_set(gc, line, value);
	return 0;
}

static int emu_get(struct gpio_chip *gc, unsigned int line)
{
	struct board *b = gpiochip_get_data(gc);
	struct converter *k = data_at(b, line);
	struct clock_line *c = k ? k->clock : clock_at(b, line);
	unsigned long flags;
	int level;

	if (!c)
		return READ_ONCE(b->level[output_at(b, line)]);
	raw_spin_lock_irqsave(&c->lock, flags);
	look_at_power(c, ktime_get_ns());
	level = k ? k->data : c->high;
	raw_spin_unlock_irqrestore(&c->lock, flags);
	return level;
}

/* Lines of one clock line are read at one moment. */
static int emu_get_multiple(struct gpio_chip *gc, unsigned long *mask, unsigned long *bits)
{
	struct board *b = gpiochip_get_data(gc);
	unsigned int i, j;

	for (i = 0; i < b->n_clocks; i++) {
		struct clock_line *c = &b->clocks[i];
		unsigned long flags;

		raw_spin_lock_irqsave(&c->lock, flags);
		look_at_power(c, ktime_get_ns());
		if (test_bit(c->line, mask))
			__assign_bit(c->line, bits, c->high);
		for (j = 0; j < c->n; j++)
			if (test_bit(c->converters[j].line, mask))
				__assign_bit(c->converters[j].line, bits, c->converters[j].data);
		raw_spin_unlock_irqrestore(&c->lock, flags);
	}
	for (i = b->n_clocks + b->n_converters; i < gc->ngpio; i++)
		if (test_bit(i, mask))
			__assign_bit(i, bits, READ_ONCE(b->level[output_at(b, i)]));
	return 0;
}

static int emu_set_config(struct gpio_chip *gc, unsigned int line, unsigned long config)
{
	switch (pinconf_to_config_param(config)) {
	case PIN_CONFIG_BIAS_DISABLE:
	case PIN_CONFIG_BIAS_PULL_UP:
	case PIN_CONFIG_BIAS_PULL_DOWN:
	case PIN_CONFIG_DRIVE_PUSH_PULL:
	case PIN_CONFIG_PERSIST_STATE:
		return 0;
	default:
		return -ENOTSUPP;
	}
}

static void emu_irq_mask(struct irq_data *d)
{
	struct gpio_chip *gc = irq_data_get_irq_chip_data(d);
	struct converter *k = data_at(gpiochip_get_data(gc), irqd_to_hwirq(d));

	if (k)
		WRITE_ONCE(k->irq_on, false);
	gpiochip_disable_irq(gc, irqd_to_hwirq(d));
}

static void emu_irq_unmask(struct irq_data *d)
{
	struct gpio_chip *gc = irq_data_get_irq_chip_data(d);
	struct converter *k = data_at(gpiochip_get_data(gc), irqd_to_hwirq(d));

	gpiochip_enable_irq(gc, irqd_to_hwirq(d));
	if (k)
		WRITE_ONCE(k->irq_on, true);
}

static int emu_irq_set_type(struct irq_data *d, unsigned int type)
{
	struct gpio_chip *gc = irq_data_get_irq_chip_data(d);
	struct converter *k = data_at(gpiochip_get_data(gc), irqd_to_hwirq(d));

	if (!k || (type & IRQ_TYPE_LEVEL_MASK))
		return -EINVAL;		/* edges of data lines only */
	WRITE_ONCE(k->irq_type, type);
	irq_set_handler_locked(d, handle_simple_irq);
	return 0;
}

static const struct irq_chip emu_irq_chip = {
	.name		= NAME,
	.irq_mask	= emu_irq_mask,
	.irq_unmask	= emu_irq_unmask,
	.irq_set_type	= emu_irq_set_type,
	.flags		= IRQCHIP_IMMUTABLE,
	GPIOCHIP_IRQ_RESOURCE_HELPERS,
};

static void stop_timers(void *data)
{
	struct board *b = data;
	unsigned int i;

	for (i = 0; i < b->n_converters; i++)
		hrtimer_cancel(&b->converters[i].timer);
}

static void add_clock(struct board *b, unsigned int line, unsigned int n)
{
	struct clock_line *c = &b->clocks[b->n_clocks];
	unsigned int i;

	raw_spin_lock_init(&c->lock);
	c->board = b;
	c->line = line;
	c->n = n;
	c->random = 1 + b->n_clocks;
	c->converters = &b->converters[b->n_converters];
	for (i = 0; i < n; i++) {
		struct converter *k = &c->converters[i];
		u64 period = div_u64(NSEC_PER_SEC, sps);

		k->clock = c;
		k->id = b->n_converters + i;
		k->line = line + 1 + i;
		k->gain = 128;
		k->next_gain = 128;
		k->data = true;
		k->period_ns = period + div_u64(period * spread_ppm * i, 1000000);
		hrtimer_init(&k->timer, CLOCK_MONOTONIC, HRTIMER_MODE_ABS_HARD);
		k->timer.function = conversion_ends;
	}
	b->n_converters += n;
	b->n_clocks++;
}

static int add_gpio(struct device *dev, struct board *b)
{
	struct gpio_chip *gc = &b->gpio;
	unsigned int i;
	int ret;

	for (i = 0; i < own; i++)
		add_clock(b, 2 * i, 1);
	if (bank)
		add_clock(b, 2 * own, bank);
	raw_spin_lock_init(&b->output_lock);
	gc->label = NAME;
	gc->parent = dev;
	gc->owner = THIS_MODULE;
	gc->base = -1;
	gc->ngpio = b->n_clocks + b->n_converters + NUM_OUTPUTS;
	gc->can_sleep = true;		/* stalls do */
	gc->get_direction = emu_get_direction;
	gc->direction_input = emu_direction_input;
	gc->direction_output = emu_direction_output;
	gc->get = emu_get;
	gc->get_multiple = emu_get_multiple;
	gc->set = emu_set;
	gc->set_config = emu_set_config;
	gpio_irq_chip_set_chip(&gc->irq, &emu_irq_chip);
	gc->irq.handler = handle_simple_irq;
	gc->irq.default_type = IRQ_TYPE_NONE;
	ret = devm_gpiochip_add_data(dev, gc, b);
	if (ret)
		return dev_err_probe(dev, ret, "adding the gpio chip of %u lines\n", gc->ngpio);

	/* Added last, so that they are stopped before the gpio chip goes. */
	ret = devm_add_action(dev, stop_timers, b);
	if (ret)
		return ret;
	for (i = 0; i < b->n_converters; i++) {
		struct converter *k = &b->converters[i];
		unsigned long flags;

		raw_spin_lock_irqsave(&k->clock->lock, flags);
		if (!k->clock->off)
			start_conversion(k, ktime_get_ns(), settle_ns());
		raw_spin_unlock_irqrestore(&k->clock->lock, flags);
	}
	return 0;
}

/* ---- I2C ---- */

#define MUX_ADDR	0x70
#define CONVERTER_ADDR	0x2A

/* Registers and bits of the NAU7802, by Nuvoton's data sheet, from memory. */
#define PU_CTRL		0x00
#define  PU_RR		BIT(0)		/* register reset */
#define  PU_PUD		BIT(1)		/* power up digital */
#define  PU_PUA		BIT(2)		/* power up analogue */
#define  PU_PUR		BIT(3)		/* power-up ready, 200 us after PUD */
#define  PU_CS		BIT(4)		/* cycle start */
#define  PU_CR		BIT(5)		/* cycle ready */
#define CTRL2		0x02
#define  CTRL2_CALS	BIT(2)		/* calibration start, then running */
#define  CTRL2_CAL_ERR	BIT(3)
#define ADCO_B2		0x12
#define ADCO_B0		0x14
#define REVISION	0x1F

static u64 i2c_period_ns(const struct i2c_converter *k)
{
	static const u16 rates[8] = { 10, 20, 40, 80, 10, 10, 10, 320 };

	return NSEC_PER_SEC / rates[k->reg[CTRL2] >> 4 & 7];
}

static void i2c_reset(struct i2c_converter *k)
{
	memset(k->reg, 0, sizeof(k->reg));
	k->reg[REVISION] = 0x0F;
	k->converting = false;
	k->calibrated_ns = 0;
	k->pud_ns = 0;
	k->pointer = 0;
}

/* Brings a converter up to now. */
static void i2c_advance(struct board *b, struct i2c_converter *k, u64 now)
{
	u8 *pu = &k->reg[PU_CTRL];
	bool run;
	u64 behind;

	if (!(*pu & PU_PUD)) {
		*pu &= ~PU_PUR;
		k->pud_ns = 0;
	} else if (!k->pud_ns) {
		k->pud_ns = now;
	} else if (now - k->pud_ns >= 200 * NSEC_PER_USEC) {
		*pu |= PU_PUR;
	}
	if (k->calibrated_ns && now >= k->calibrated_ns) {
		k->calibrated_ns = 0;
		k->reg[CTRL2] &= ~CTRL2_CALS;
		k->converting = false;	/* it starts anew */
	}
	run = (*pu & PU_PUR) && (*pu & PU_PUA) && (*pu & PU_CS) && !k->calibrated_ns;
	if (!run || !k->converting || k->period_ns != i2c_period_ns(k)) {
		if (run) {
			k->period_ns = i2c_period_ns(k);
			k->due_ns = now + k->period_ns;
		}
		k->converting = run;
		*pu &= ~PU_CR;
		return;
	}
	if (now < k->due_ns)
		return;
	behind = div64_u64(now - k->due_ns, k->period_ns) + 1;
	k->due_ns += behind * k->period_ns;
	k->number += behind;
	fill_tube(b, &k->tube, k->id, now);
	k->value = value_of(k->id, k->tube.level, k->number);
	k->slips = slip_every && k->number % slip_every == 0;
	if (k->slips)
		k->value = slipped(k->value);
	k->reg[ADCO_B2] = k->value >> 16;
	k->reg[ADCO_B2 + 1] = k->value >> 8;
	k->reg[ADCO_B0] = k->value;
	*pu |= PU_CR;
}

static u8 i2c_read_byte(struct i2c_converter *k)
{
	u8 at = k->pointer++ & 31;

	if (at == ADCO_B0 && (k->reg[PU_CTRL] & PU_CR)) {
		k->reg[PU_CTRL] &= ~PU_CR;
		k->reads++;
		if (k->slips)
			k->slips_read++;
	}
	return k->reg[at];
}

static void i2c_write_byte(struct i2c_converter *k, u8 v, u64 now)
{
	u8 at = k->pointer++ & 31;

	switch (at) {
	case PU_CTRL:
		if (v & PU_RR) {
			i2c_reset(k);
			k->reg[PU_CTRL] = PU_RR;
			k->pointer = 1;
			return;
		}
		v = (v & ~(PU_PUR | PU_CR)) | (k->reg[PU_CTRL] & (PU_PUR | PU_CR));
		break;
	case CTRL2:
		v &= ~CTRL2_CAL_ERR;
		if (v & CTRL2_CALS)
			k->calibrated_ns = now + 4 * i2c_period_ns(k) + 300 * NSEC_PER_MSEC;
		break;
	case ADCO_B2:
	case ADCO_B2 + 1:
	case ADCO_B0:
	case REVISION:
		return;		/* read only */
	}
	k->reg[at] = v;
}

static int converter_message(struct board *b, struct i2c_msg *m, u64 now)
{
	bool answered = false;
	unsigned int i, j;

	if (m->flags & I2C_M_RD)
		memset(m->buf, 0xFF, m->len);
	for (i = 0; i < NUM_I2C; i++) {
		struct i2c_converter *k = &b->i2c[i];

		if (!(b->mux & BIT(i)))
			continue;
		answered = true;
		i2c_advance(b, k, now);
		if (m->flags & I2C_M_RD) {
			for (j = 0; j < m->len; j++)
				m->buf[j] &= i2c_read_byte(k);
			continue;
		}
		if (m->len)
			k->pointer = m->buf[0];
		for (j = 1; j < m->len; j++)
			i2c_write_byte(k, m->buf[j], now);
		i2c_advance(b, k, now);
	}
	return answered ? 0 : -ENXIO;
}

static int emu_xfer(struct i2c_adapter *adapter, struct i2c_msg *msgs, int num)
{
	struct board *b = i2c_get_adapdata(adapter);
	u64 now = ktime_get_ns();
	unsigned int every;
	int i, ret = 0;

	mutex_lock(&b->i2c_lock);
	if (READ_ONCE(brown_out)) {
		WRITE_ONCE(brown_out, 0);
		for (i = 0; i < NUM_I2C; i++) {
			i2c_reset(&b->i2c[i]);
			b->i2c[i].power_ups++;
		}
	}
	b->transfers++;
	every = READ_ONCE(nack_every);
	if (every && b->transfers % every == 0)
		ret = -ENXIO;
	for (i = 0; i < num && !ret; i++) {
		struct i2c_msg *m = &msgs[i];

		switch (m->addr) {
		case MUX_ADDR:
			if (m->flags & I2C_M_RD)
				memset(m->buf, b->mux, m->len);
			else if (m->len)
				b->mux = m->buf[m->len - 1];
			break;
		case CONVERTER_ADDR:
			ret = converter_message(b, m, now);
			break;
		default:
			ret = -ENXIO;
		}
	}
	if (ret)
		b->nacks++;
	mutex_unlock(&b->i2c_lock);
	return ret ? ret : num;
}

static u32 emu_functionality(struct i2c_adapter *adapter)
{
	return I2C_FUNC_I2C | I2C_FUNC_SMBUS_EMUL;
}

static const struct i2c_algorithm emu_algorithm = {
	.master_xfer	= emu_xfer,
	.functionality	= emu_functionality,
};

static int add_i2c(struct device *dev, struct board *b)
{
	unsigned int i;
	int ret;

	mutex_init(&b->i2c_lock);
	for (i = 0; i < NUM_I2C; i++) {
		b->i2c[i].id = FIRST_I2C_ID + i;
		b->i2c[i].power_ups = 1;
		i2c_reset(&b->i2c[i]);
	}
	b->adapter.owner = THIS_MODULE;
	b->adapter.algo = &emu_algorithm;
	b->adapter.dev.parent = dev;
	strscpy(b->adapter.name, NAME, sizeof(b->adapter.name));
	i2c_set_adapdata(&b->adapter, b);
	ret = devm_i2c_add_adapter(dev, &b->adapter);
	if (ret)
		return dev_err_probe(dev, ret, "adding the I2C adapter\n");
	return 0;
}

/* ---- counters ---- */

static int counters_show(struct seq_file *s, void *unused)
{
	struct board *b = s->private;
	unsigned int i, j;

	for (i = 0; i < b->n_clocks; i++) {
		struct clock_line *c = &b->clocks[i];
		struct clock_line seen;
		struct converter at[MAX_BANK];
		unsigned long flags;

		raw_spin_lock_irqsave(&c->lock, flags);
		look_at_power(c, ktime_get_ns());
		seen = *c;
		memcpy(at, c->converters, c->n * sizeof(*at));
		raw_spin_unlock_irqrestore(&c->lock, flags);

		seq_printf(s, "clock line=%u converters=%u reads=%llu power_downs=%llu high_stalls=%llu low_stalls=%llu\n",
			   seen.line, seen.n, seen.reads, seen.power_downs, seen.high_stalls, seen.low_stalls);
		for (j = 0; j < seen.n; j++)
			seq_printf(s, "converter id=%u clock=%u data=%u gain=%u conversions=%u whole=%llu spoiled=%llu slips_read=%llu level=%u unfed=%llu\n",
				   at[j].id, seen.line, at[j].line, at[j].gain, at[j].number, at[j].whole, at[j].spoiled,
				   at[j].slips_read, at[j].tube.level, at[j].tube.unfed);
	}
	seq_printf(s, "outputs beats=%llu alarms=%llu\n", READ_ONCE(b->beats), READ_ONCE(b->alarms));
	mutex_lock(&b->i2c_lock);
	seq_printf(s, "i2c transfers=%llu nacks=%llu mux=%u\n", b->transfers, b->nacks, b->mux);
	for (i = 0; i < NUM_I2C; i++) {
		struct i2c_converter *k = &b->i2c[i];

		seq_printf(s, "i2c_converter id=%u conversions=%u whole=%llu slips_read=%llu power_ups=%llu level=%u unfed=%llu\n",
			   k->id, k->number, k->reads, k->slips_read, k->power_ups, k->tube.level, k->tube.unfed);
	}
	mutex_unlock(&b->i2c_lock);
	return 0;
}
DEFINE_SHOW_ATTRIBUTE(counters);

static void remove_counters(void *dir)
{
	debugfs_remove_recursive(dir);
}

/* ---- module ---- */

static int emu_probe(struct platform_device *pdev)
{
	struct device *dev = &pdev->dev;
	struct dentry *dir;
	struct board *b;
	int ret;

	b = devm_kzalloc(dev, sizeof(*b), GFP_KERNEL);
	if (!b)
		return -ENOMEM;
	ret = add_gpio(dev, b);
	if (ret)
		return ret;
	ret = add_i2c(dev, b);
	if (ret)
		return ret;
	/* Without debugfs there are no counters; the board works. */
	dir = debugfs_create_dir(NAME, NULL);
	debugfs_create_file("counters", 0444, dir, b, &counters_fops);
	return devm_add_action_or_reset(dev, remove_counters, dir);
}

static struct platform_driver emu_driver = {
	.driver.name	= NAME,
	.probe		= emu_probe,
};

static struct platform_device *emu_device;

static int __init emu_init(void)
{
	int ret;

	if (own > MAX_OWN || bank > MAX_BANK || (sps != 10 && sps != 80) || spread_ppm > 10000 ||
	    fill < 16 || fill > 10000) {
		pr_err(NAME ": own=%u (0 to %u), bank=%u (0 to %u), sps=%u (10 or 80), spread_ppm=%u (0 to 10000), fill=%u (16 to 10000): one is out of range\n",
		       own, MAX_OWN, bank, MAX_BANK, sps, spread_ppm, fill);
		return -EINVAL;
	}
	ret = platform_driver_register(&emu_driver);
	if (ret)
		return ret;
	emu_device = platform_device_register_simple(NAME, PLATFORM_DEVID_NONE, NULL, 0);
	if (IS_ERR(emu_device)) {
		platform_driver_unregister(&emu_driver);
		return PTR_ERR(emu_device);
	}
	return 0;
}

static void __exit emu_exit(void)
{
	platform_device_unregister(emu_device);
	platform_driver_unregister(&emu_driver);
}

module_init(emu_init);
module_exit(emu_exit);

MODULE_DESCRIPTION("A measuring board that is not there: converters on a gpio chip and on I2C");
MODULE_LICENSE("GPL");
